"""``python -m drm``: the command line where the script is not on the path."""

from drm.cli import main

if __name__ == "__main__":
    main()
