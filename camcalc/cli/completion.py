"""``camcalc completion SHELL``."""

from __future__ import annotations

import argparse

__all__ = ["add_arguments", "run"]

SHELLS = ("bash", "zsh", "tcsh")


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """Declare the arguments."""
    parser.add_argument("shell", choices=SHELLS, help="the shell to print a completion script for")
    parser.epilog = "In bash: source <(camcalc completion bash), or put it where the shell looks for completions, for good."


def run(options: argparse.Namespace) -> int:
    """Print the script."""
    import shtab

    from .main import COMMANDS, parser_for

    print(shtab.complete(parser_for(*COMMANDS), shell=options.shell))
    return 0
