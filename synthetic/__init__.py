"""Simulated breakers whose truth is known."""

if __name__ != "drm.synthetic":
    raise ImportError("this folder is the package drm.synthetic: write `import drm.synthetic`, never the bare name")
