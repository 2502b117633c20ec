"""Run the command line with ``python -m limbward``."""

from limbward.cli import main

if __name__ == "__main__":
    main()
