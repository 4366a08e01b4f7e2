"""``python -m spillgate.cli``: the same as the command `spillgate`."""

from spillgate.cli.main import main

if __name__ == "__main__":
    main(prog_name="spillgate")
