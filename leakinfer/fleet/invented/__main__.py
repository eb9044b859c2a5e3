"""``python -m leakinfer.fleet.invented FOLDER``."""

from leakinfer.fleet.invented.make import main

main()
