"""`python -m reachmap` does what `reachmap` does."""

from reachmap.cli import main

if __name__ == "__main__":
    main(prog_name="reachmap")
