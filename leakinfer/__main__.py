"""``python -m leakinfer`` does what ``leakinfer`` does."""

from leakinfer.cli import main

if __name__ == "__main__":
    main(prog_name="leakinfer")
