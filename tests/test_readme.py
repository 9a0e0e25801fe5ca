"""The walk-through in README is the one that made its pictures, and what README names exists."""

from __future__ import annotations

import re
from pathlib import Path

import helpers_calibration  # noqa: F401
import make_samples

from handcapture.cli import main

README = Path(__file__).parents[1] / "README.md"


def commands() -> list[str]:
    """Return every handcapture command of README's walk-through, one a line."""
    text = README.read_text().split("## A walk through")[1].split("\n## ")[0]
    blocks = re.findall(r"```sh\n(.*?)```", text, flags=re.S)
    joined = "".join(blocks).replace("\\\n", " ")
    return [" ".join(line.split()) for line in joined.splitlines() if line.startswith("handcapture ")]


def test_the_walk_is_the_one_that_made_the_pictures() -> None:
    assert commands() == [f"handcapture {line}" for line in make_samples.WALK_COMMANDS]


def test_commands_and_options_that_readme_names_exist() -> None:
    text = README.read_text()
    for name in set(re.findall(r"`handcapture ([a-z]+)", text)):
        assert name in main.commands, name
    options = {option for command in main.commands.values() for p in command.params for option in p.opts}
    groups = [command for command in main.commands.values() if hasattr(command, "commands")]
    options |= {o for group in groups for c in group.commands.values() for p in c.params for o in p.opts}
    for option in set(re.findall(r"`[^`\n]*?(--[a-z][a-z-]+)", text)):
        assert option in options | {"--help", "--version"}, option
