"""The command line as ``python -m servosim``."""

from servosim.cli import main

if __name__ == "__main__":
    main()
