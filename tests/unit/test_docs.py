"""The documents say what the program has, and nothing it hasn't."""

from __future__ import annotations

import argparse
import re
from pathlib import Path

import pytest
from ampledger import cli
from ampledger.core import watch
from common import TOP

README = (TOP / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
DOCS = [TOP / n for n in ("README.md", "DEVELOPERS.md", "CAUTIONS.md", "CHANGELOG.md", "hardware/README.md")]
DOCS += [TOP / "host" / "LOGFORMAT.md", TOP / "host" / "CURVEFORMAT.md"]


def _commands(parser: argparse.ArgumentParser, path: str = "") -> dict[str, argparse.ArgumentParser]:
    out = {}
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            for name, sub in action.choices.items():
                deeper = _commands(sub, f"{path}{name} ")
                out |= deeper or {f"{path}{name}": sub}
    return out


COMMANDS = _commands(cli._parser())


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_and_option_is_in_the_readme(name: str) -> None:
    assert re.search(rf"`{name}\b", README), name
    for action in COMMANDS[name]._actions:
        if action.help == argparse.SUPPRESS or isinstance(action, argparse._HelpAction):
            continue
        for option in action.option_strings:
            assert option in README, f"{name} {option}"


def test_every_option_in_the_readme_exists() -> None:
    known = {o for p in COMMANDS.values() for a in p._actions for o in a.option_strings} | {"--version"}
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    assert named <= known, named - known


def test_every_notice_is_in_the_readme_and_the_other_way_round() -> None:
    codes: set[str] = set(watch.CODES)
    live = "".join((TOP / f"host/ampledger/{n}.py").read_text(encoding="utf-8") for n in ("live", "telling"))
    codes |= set(re.findall(r'(?:_happen\(|Notice\(|wire\.S_[A-Z]+: \()\s*"([a-z-]+)"', live))
    assert len(codes) > 12
    table = README.split("| notice | means |")[1].split("\n\n")[0]
    named = set(re.findall(r"`([a-z-]+)`", table))
    assert named == codes


def test_every_command_of_the_board_is_in_the_documents() -> None:
    app = (TOP / "firmware/ampboard/app.py").read_text(encoding="utf-8")
    for verb in re.findall(r'verb == "([a-z]+)"', app):
        assert re.search(rf"`{verb}\b", DEVELOPERS), verb


def test_the_two_commands_stand_in_the_readme() -> None:
    assert "\npython3 host\n" in README and "\npython3 tests\n" in README
    assert README.splitlines()[2].startswith("A portable radio operator"), "the job comes first"


@pytest.mark.parametrize("path", DOCS, ids=lambda p: p.name)
def test_links_lead_somewhere(path: Path) -> None:
    text = path.read_text(encoding="utf-8")
    for target in re.findall(r"\]\(([^)#]+)\)", text):
        if not target.startswith("http"):
            assert (path.parent / target).exists(), target


def test_the_documents_never_call_anything_safe() -> None:
    for path in DOCS:
        text = path.read_text(encoding="utf-8").lower()
        for match in re.finditer(r"\bsafe(ly)?\b", text):
            before = text[max(0, match.start() - 60) : match.start()]
            assert re.search(r"never|nothing|not ", before), f"{path.name}: …{before}{match[0]}"


def test_nothing_personal_or_branded_is_in_the_tree() -> None:
    # Callsign-like words; the Q prefix is never issued and is allowed in tests.
    callsign = re.compile(r"\b(?!Q)[A-Z]{1,2}[0-9][A-Z]{2,3}\b")
    allowed = {"B904", "B905"}
    for path in [*DOCS, *(TOP / "host").rglob("*.py"), *(TOP / "firmware").rglob("*.py")]:
        if ".venv" in path.parts:
            continue
        found = set(callsign.findall(path.read_text(encoding="utf-8"))) - allowed
        assert not found, f"{path}: {found}"
