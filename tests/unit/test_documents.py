"""What the documents say is there."""

from __future__ import annotations

import json
import re
import shlex
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest

from server.cli import main
from server.design.piece_file import read_piece
from server.plan.hand_rule import hand_rule
from server.plan.planner import plan
from server.plan.workorder import write_workorder
from tests.demo import BOAT, RUNNER, demo_order, demo_piece

HERE = Path(__file__).parents[2]
README = (HERE / "README.md").read_text("utf-8")
DEVELOPERS = (HERE / "DEVELOPERS.md").read_text("utf-8")
BOTH = README + DEVELOPERS
MAKEFILE = (HERE / "Makefile").read_text("utf-8")


def help_of(*words: str, capsys: pytest.CaptureFixture[str]) -> str:
    with pytest.raises(SystemExit) as stopped:
        main([*words, "--help"])
    assert stopped.value.code == 0
    return capsys.readouterr().out


def test_make_targets_exist() -> None:
    named = set(re.findall(r"\bmake ([a-z]+)\b(?!s the)", re.sub(r"and make[;.]", "", BOTH)))
    assert {"run", "test", "lint", "bench"} <= named
    targets = set(re.findall(r"^([a-z][a-z-]*):(?!=)", MAKEFILE, re.MULTILINE))
    assert named <= targets


def test_commands_and_options_exist(capsys: pytest.CaptureFixture[str]) -> None:
    helps = {
        " ".join(words): help_of(*words, capsys=capsys) for words in ((), ("serve",), ("plan",), ("import",))
    }
    commands = set(re.findall(r"`?spareshaft ([a-z]+) runner\.json", README))
    assert commands == {"plan", "import"}
    assert all(re.search(rf"^ +{word}\b", helps[""], re.MULTILINE) for word in commands)
    options = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", README))
    assert {"--share", "--data", "--port", "--limit", "--help"} <= options
    for option in options:
        assert any(option in text for text in helps.values()), option


def test_exit_statuses_are_those_of_the_help(capsys: pytest.CaptureFixture[str]) -> None:
    said = help_of("plan", capsys=capsys).split("exit status:")[1]
    in_readme = re.findall(r"^\| (\d+) \|", README, re.MULTILINE)
    assert in_readme == re.findall(r"^  (\d+)  ", said, re.MULTILINE)


def test_what_the_readme_types_after_make_run_opens_what_make_run_opened() -> None:
    typed = re.findall(r"^    (\.venv/bin/spareshaft .*)$", README, re.MULTILINE)
    assert [re.sub(" runner.json", "", line).split()[1:] for line in typed] == [
        ["--data", ".data", "--share"],
        ["import", "--data", ".data"],
    ]
    (options,) = re.findall(r"`(make run OPTIONS=\"[^`]*)`", README)
    (data,) = re.findall(r"^DATA := (.*)$", MAKEFILE, re.MULTILINE)
    assert typed[0].split()[2] == data
    asked = subprocess.run(
        ["make", "--dry-run", *shlex.split(options)[1:]], cwd=HERE, capture_output=True, text=True, check=True
    )
    assert ".venv/bin/spareshaft --demo --data .data --port 8971" in asked.stdout.splitlines()


def test_the_readme_names_all_that_is_in_the_demo() -> None:
    start = re.sub(r"\s+", " ", README.split("## Start")[1].split("## On a tablet")[0])
    design = json.loads((HERE / "demo_data" / "board" / "flag.json").read_text("utf-8"))["name"]
    assert f"a design to draw on, “{design}”" in start
    assert "two demo pieces" in start
    assert len(list((HERE / "demo_data").glob("*.json"))) == 2


def test_the_keys_of_a_plan_that_the_readme_names_are_in_it() -> None:
    said = README.split("## In the terminal")[1].split("##")[0]
    for key in ("proven", "bound"):
        assert f"`{key}`" in said
        assert key in json.loads(write_workorder(demo_order(RUNNER)))


def test_the_piece_file_in_the_readme_can_be_read_and_planned() -> None:
    (text,) = re.findall(r"```json\n(.*?)```", README, re.DOTALL)
    piece = read_piece(text)
    assert plan(piece).proven
    for key in json.loads(text)["loom"]:
        assert f'"{key}"' in README


def test_the_walks_that_the_readme_counts() -> None:
    text = re.sub(r"\s+", " ", README)
    runner, by_hand = map(int, re.findall(r"takes (\d+) walks; planned .*? it takes (\d+)\.", text)[0])
    boat, without = map(int, re.findall(r"boat takes (\d+) walks, and (\d+) on the same loom", text)[0])
    in_her_head = hand_rule(demo_piece(RUNNER))
    assert in_her_head is not None
    assert (runner, by_hand) == (demo_order(RUNNER).totals.walks, in_her_head.totals.walks)
    piece = demo_piece(BOAT)
    bare = replace(piece, loom=replace(piece.loom, spare_handles=0))
    assert (boat, without) == (demo_order(BOAT).totals.walks, plan(bare).totals.walks)


@pytest.mark.parametrize("document", ["README.md", "DEVELOPERS.md", "CHANGELOG.md"])
def test_files_named_exist(document: str) -> None:
    text = (HERE / document).read_text("utf-8")
    linked = re.findall(r"\]\(([^)#]+)\)", text)
    folders = "server|templates|static|demo_data|tests|docs|\\.ci"
    named = re.findall(rf"`((?:{folders})/[\w./-]*|pyproject\.toml)`", text)
    assert all((HERE / path).exists() for path in linked + named), [
        path for path in linked + named if not (HERE / path).exists()
    ]
    assert not [path for path in linked if path.startswith(("http:", "https:", "/"))]


def test_every_module_is_found_in_the_layout() -> None:
    layout = DEVELOPERS.split("## How the house is laid out")[1].split("## From the file")[0]
    named = set(re.findall(r"`(server/[\w./]+)`", layout))
    modules = [
        path.relative_to(HERE).as_posix()
        for path in (HERE / "server").rglob("*.py")
        if path != HERE / "server" / "__init__.py"
    ]
    assert len(modules) > 20
    # a folder is named with its last "/", a module with its ".py"
    lost = [module for module in modules if not any(module.startswith(name) for name in named)]
    assert lost == []


def test_every_folder_of_tests_is_described() -> None:
    folders = {
        path.parent.relative_to(HERE).as_posix() + "/"
        for path in (HERE / "tests").rglob("*.py")
        if path.parent != HERE / "tests" and "__pycache__" not in path.parts
    }
    assert folders <= set(re.findall(r"`(tests/\w+/)`", DEVELOPERS))


def test_the_picture_is_small() -> None:
    (picture,) = re.findall(r"!\[[^\]]+\]\((docs/[\w.-]+)\)", README)
    assert 5_000 < (HERE / picture).stat().st_size < 200_000


def test_the_words_of_the_glossary_are_there_for_a_newcomer() -> None:
    glossary = DEVELOPERS.split("## Glossary")[1]
    for word in ("unit", "leash", "pattern shaft", "handle", "single draw cord", "temporary shaft", "walk"):
        assert re.search(rf"\*\*[^*]*\b{word}\b", glossary), word
