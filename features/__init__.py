"""Figures of one operation: pure functions first, joined to their names and units in one table."""

if __name__ != "drm.features":
    raise ImportError("this folder is the package drm.features: write `import drm.features`, never the bare name")
