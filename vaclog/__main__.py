"""``python -m vaclog`` is ``vaclog``."""

from vaclog.cli import main

if __name__ == "__main__":
    main()
