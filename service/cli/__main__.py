"""`python -m service.cli` is `linetender`, also where the command itself is not on the path."""

from service.cli.commands import main

if __name__ == "__main__":
    main(prog_name="linetender")
