"""``python -m calib`` is ``calib``."""

from calib.cli import main

if __name__ == "__main__":
    main()
