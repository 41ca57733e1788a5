"""The two commands: tables for people, one document for machines, exit code 0 when done, 2 for bad input."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from edgeinspect import cli
from edgeinspect.store.inspections import Store

from .conftest import MODEL, SAMPLES, edited_folder

STATION = ("--station", str(SAMPLES / "station.toml"))


def run(*arguments: str | Path) -> tuple[int, str, str]:
    done = CliRunner().invoke(cli.app, [str(argument) for argument in arguments])
    assert done.exception is None or isinstance(done.exception, SystemExit), done.exception
    return done.exit_code, done.stdout, done.stderr


@pytest.fixture
def tight(tmp_path: Path) -> Path:
    return edited_folder(tmp_path, lambda text: text.replace("upper_mm = 0.5", "upper_mm = 0.25"))


def test_judge_again_lists_the_flips_and_counts(tight: Path, data: Path) -> None:
    code, out, _ = run("judge-again", tight, *STATION, "--data", data)
    assert code == 0
    assert "L1003 (look 1): CONFORMING → NONCONFORMING: zone left-end +" in out
    assert "2 of 4 looks flip: 0 become green, 1 are green no more, 1 between the other answers" in out
    assert "nothing in the record was changed" in out
    code, text, _ = run("judge-again", tight, *STATION, "--data", data, "--json")
    document = json.loads(text)
    assert (code, document["judged"], len(document["flips"])) == (0, 4, 2)
    assert document["before"]["CONFORMING"] == document["after"]["CONFORMING"] + 1


def test_judge_again_by_the_definition_in_force_flips_nothing(data: Path) -> None:
    code, out, err = run("judge-again", MODEL, *STATION, "--data", data)
    assert code == 0 and "0 of 4 looks flip" in out and "differently" not in err


def test_another_drawing_is_bad_input(tmp_path: Path, data: Path) -> None:
    other = edited_folder(tmp_path, lambda text: text.replace("filter_cutoff_mm = 2.5", "filter_cutoff_mm = 8.0"))
    code, out, err = run("judge-again", other, *STATION, "--data", data)
    assert (code, out) == (2, "")
    assert "filter_cutoff_mm is another than in the definition in force" in err


def test_nothing_to_study_is_one_sentence(tight: Path, data: Path, tmp_path: Path) -> None:
    for command in (("judge-again", tight), ("measure-again",)):
        code, _, err = run(*command, *STATION, "--data", data, "--since", "2030-01-01")
        assert code == 2 and len(err.strip().splitlines()) == 1
        code, _, err = run(*command, *STATION, "--data", tmp_path / "none")
        assert code == 2 and "is not there" in err
        code, _, err = run(*command, *STATION, "--data", data, "--since", "monday")
        assert code == 2 and "--since is 'monday'" in err


def test_measure_again_tells_pictures_and_ribbons_apart(data: Path) -> None:
    code, out, _ = run("measure-again", *STATION, "--data", data, "--shell", "toplid", "--since", "2026-11-22")
    assert code == 0
    assert "L1004 (look 1), picture: NONCONFORMING; greatest change for its u: " in out
    assert "L1003 (look 1), ribbon of camera top: edge moved " in out and "0 stations lost, 0 gained" in out
    assert "3 looks: 2 by their pictures, 1 ribbons, 0 not; 0 answers flip" in out
    with Store.open(data, read_only=True) as store:
        assert len(store.listing()) == 4  # none of it was recorded


def test_measure_again_for_machines(data: Path) -> None:
    code, text, _ = run("measure-again", *STATION, "--data", data, "--since", "2026-11-24", "--json")
    document = json.loads(text)
    assert (code, document["looked_at"], document["ribbons"], document["neither"]) == (0, 1, [], [])
    (look,) = document["pictures"]
    assert {number["name"] for number in look["numbers"]} >= {"path shift", "zone left-end most"}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--cutoff", "nan"), "--cutoff is nan, must be within"),
        (("--band", "-1"), "--band is -1, must be within"),
        (("--cutoff", "2", "--sample", "0"), "--sample is 0, must be within 1 to 2000"),
        (("--go-on", "nope"), "--go-on is nope, must be the number of a study, as it was said when it began"),
    ],
)
def test_mistakes_are_told_by_the_option_that_was_typed(data: Path, options: tuple[str, ...], words: str) -> None:
    code, _, err = run("measure-again", *STATION, "--data", data, *options)
    assert code == 2 and err.startswith(words)


def test_a_mistyped_shell_is_not_exported(data: Path, tmp_path: Path) -> None:
    table = tmp_path / "looks.csv"
    code, _, err = run("export", table, "--shell", "toplidd", *STATION, "--data", data)
    assert code == 2 and "holds no inspection of shell toplidd, and there is no such definition" in err
    assert not table.exists()
    code, _, _ = run("export", table, "--shell", "hatch", *STATION, "--data", data)  # defined, and not looked at yet
    assert code == 0 and len(table.read_text().splitlines()) == 1
