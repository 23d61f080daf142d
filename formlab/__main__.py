"""`python -m formlab` is the command `formlab`."""

from formlab.cli import main

if __name__ == "__main__":
    raise SystemExit(main())
