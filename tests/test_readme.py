"""The walk-through in README is the one that made its pictures, and what README names exists."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import helpers_calibration  # noqa: F401
import make_samples
import pytest
from helpers_plan import KEYS, rest_at
from helpers_rest import PLACES
from pydantic import BaseModel

from handcapture.cli import main
from handcapture.layout.fit import fit_layout
from handcapture.layout.plan import PanelFile, Plan, load_panel, load_plan

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
    options |= {o for group in (main, *groups) for c in group.commands.values() for p in c.params for o in p.opts}
    options |= {option for p in main.params for option in p.opts}
    for option in set(re.findall(r"`[^`\n]*?(--[a-z][a-z-]+)", text)):
        assert option in options | {"--help", "--version"}, option


def keys_of(kind: type[BaseModel]) -> set[str]:
    """Return every key that a file of this kind can have."""
    names: set[str] = set()
    for name, field in kind.model_fields.items():
        names.add(name)
        for inner in (field.annotation, *get_args(field.annotation)):
            if isinstance(inner, type) and issubclass(inner, BaseModel):
                names |= keys_of(inner)
    return names


@pytest.mark.parametrize(("name", "kind"), [("plan", Plan), ("panel", PanelFile)])
def test_every_key_is_explained(name: str, kind: type[BaseModel]) -> None:
    path = README.parent / "samples" / f"every_key_{name}.toml"
    text = path.read_text()
    for key in keys_of(kind):
        assert re.search(rf"(^|\W){key}\W", text, flags=re.M), key
    assert load_plan(path) if kind is Plan else load_panel(path)


def test_the_files_with_every_key_fit() -> None:
    samples = README.parent / "samples"
    panel, origin = load_panel(samples / "every_key_panel.toml")
    rest = rest_at([PLACES[key] for key in KEYS])
    layout = fit_layout(rest, load_plan(samples / "every_key_plan.toml"), panel, origin)
    assert len(layout.buttons) == 6
