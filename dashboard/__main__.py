"""The command `underair` as `python -m dashboard`."""

from dashboard.start import main

if __name__ == "__main__":
    main()
