"""Run as ``python -m handcapture``."""

from handcapture.cli import main

if __name__ == "__main__":
    main(prog_name="handcapture")
