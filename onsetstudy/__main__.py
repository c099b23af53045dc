"""``python -m onsetstudy``."""

from onsetstudy.cli.main import main

if __name__ == "__main__":
    main()
