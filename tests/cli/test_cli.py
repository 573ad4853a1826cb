"""The command line: what goes in, what comes out, which code it leaves with."""

from __future__ import annotations

import io
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from outcomes import cli
from outcomes.demo import FILES, demo_files

ROOT = Path(__file__).parents[2]
CANARY = "Canary-Quillfeather-7731"


@pytest.fixture
def here(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Return an empty working folder with a space and an accent in its name."""
    folder = tmp_path / "arm é"
    folder.mkdir()
    monkeypatch.chdir(folder)
    return folder


@pytest.fixture
def study(here: Path) -> Path:
    """Return the study of the demonstration with its primary outcome only, which is quicker."""
    for name in FILES:
        shutil.copy(demo_files() / name, here)
    path = here / "study.toml"
    before, *outcomes = path.read_text(encoding="utf-8").split("[[outcomes]]")
    rest = outcomes[-1].partition("[covariates]")[2]
    path.write_text(f"{before}[[outcomes]]{outcomes[0]}[covariates]{rest}", encoding="utf-8")
    return path


Captured = pytest.CaptureFixture[str]


def test_no_arguments_name_the_first_commands(capsys: Captured) -> None:
    assert cli.main([]) == 0
    shown = capsys.readouterr().out
    assert all(line in shown for line in ("outcomes demo", "outcomes analyse", "outcomes verify"))


@pytest.mark.parametrize(
    "arguments", [["--help"], ["demo", "--help"], ["check", "-h"], ["analyze", "-h"], ["--version"]]
)
def test_help_and_version(arguments: list[str], capsys: Captured) -> None:
    assert cli.main(arguments) == 0
    assert "outcomes" in capsys.readouterr().out


@pytest.mark.parametrize(
    "arguments",
    [["nonsense"], ["analyse"], ["analyse", "a", "b"], ["--nonsense"], ["verify"], ["check"], ["check", "x", "--header-row", "a"]],
)  # fmt: skip
def test_wrong_arguments_are_refused_with_3(arguments: list[str], capsys: Captured) -> None:
    assert cli.main(arguments) == 3
    assert "help: outcomes" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "command"),
    [
        (["analyse", "x.toml", "--sheet", "a"], "analyse"),
        (["check", "x.csv", "--seed", "1"], "check"),
        (["verify", "x", "y"], "verify"),
        (["demo", "x"], "demo"),
    ],
)
def test_an_unknown_option_points_to_the_help_of_its_command(
    arguments: list[str], command: str, capsys: Captured
) -> None:
    assert cli.main(arguments) == 3
    assert f"help: outcomes {command} --help" in capsys.readouterr().err


@pytest.mark.parametrize("row", ["0", "-1", "a", "1.5", "²"])
def test_rows_are_counted_from_one(row: str, capsys: Captured) -> None:
    assert cli.main(["check", "x.csv", f"--header-row={row}"]) == 3
    assert "--header-row: give the number of a row, counted from 1" in capsys.readouterr().err


@pytest.mark.parametrize("name", ["department.xlsx", "department_dictionary.toml"])
def test_analyse_says_what_it_takes(study: Path, name: str, capsys: Captured) -> None:
    assert cli.main(["analyse", str(study.with_name(name))]) == 3
    shown = capsys.readouterr().err
    assert f"{name} is a {'table' if name.endswith('xlsx') else 'dictionary'}" in shown
    assert "analyse takes a study file" in shown
    assert "outcomes demo" in shown


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["department_dictionary.toml"], "use:  outcomes check FILE -d department_dictionary.toml"),
        (["study.toml", "-d", "department_dictionary.toml"], "a study names its own dictionary"),
        (["department.xlsx", "-d", "study.toml"], "study.toml is a study, not a dictionary"),
        (["department.xlsx", "-d", "department.xlsx"], "department.xlsx is a table, not a dictionary"),
        (["study.toml", "--header-row", "4"], "are for a first look"),
        (["department.xlsx", "-d", "department_dictionary.toml", "--sheet", "a"], "are for a first look"),
    ],
)
def test_check_says_what_goes_together(
    study: Path, here: Path, arguments: list[str], words: str, capsys: Captured
) -> None:
    assert cli.main(["check", *arguments]) == 3
    assert words in capsys.readouterr().err
    assert not (here / "runs").exists()


def test_a_path_is_shown_as_it_was_written(study: Path, capsys: Captured) -> None:
    text = study.read_text(encoding="utf-8").replace('file = "department.xlsx"', r"file = 'data\wrists.xlsx'")
    study.write_text(text, encoding="utf-8")
    assert cli.main(["analyse", str(study)]) == 3
    assert r"[cohort] file = 'data\wrists.xlsx' was not found" in capsys.readouterr().err


@pytest.mark.parametrize("command", [["demo"], ["analyse", "study.toml"], ["check", "study.toml"]])
def test_a_folder_that_cannot_be_written_to_is_found_before_anything_is_read(
    study: Path, here: Path, monkeypatch: pytest.MonkeyPatch, command: list[str], capsys: Captured
) -> None:
    def never(*_: object, **__: object) -> None:
        raise AssertionError("something was read")

    (here / "letter").write_text("mine")
    for name in ("inputs.read_plan", "run_folder.build_report"):
        monkeypatch.setattr(f"outcomes.reporting.{name}", never)
    assert cli.main([*command, "--out", "letter/run"]) == 3
    assert "is not a folder" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["analyse", "analyze", "check"])
def test_a_study_that_is_not_there_is_refused(here: Path, command: str, capsys: Captured) -> None:
    assert cli.main([command, "nowhere.toml"]) == 3
    assert "nowhere.toml" in capsys.readouterr().err


def test_demo_writes_a_run_whose_path_is_the_last_line(here: Path, capsys: Captured) -> None:
    assert cli.main(["demo"]) == 0
    shown = capsys.readouterr().out
    folder = Path(shown.splitlines()[-1])
    assert folder.parent == here / "runs"
    assert {"report.html", "results.json", "methods.md", "tables.xlsx", "figures", "manifest.json", "run.log",
            "status.json"} == {path.name for path in folder.iterdir()}  # fmt: skip
    private = folder.with_name(f"{folder.name}-private")
    assert set(FILES) <= {path.name for path in private.iterdir()}
    assert "Not a medical device" in shown
    assert "for use inside the department" in shown
    assert cli.main(["analyse", str(private / "study.toml"), "--out", "again"]) == 0, (
        "the templates do not run"
    )
    assert cli.main(["verify", "again"]) == 0


def test_analyse_twice_keeps_the_earlier_run(study: Path, here: Path, capsys: Captured) -> None:
    assert cli.main(["analyse", str(study), "--out", "mine"]) == 0
    first = (here / "mine" / "results.json").read_bytes()
    assert cli.main(["analyze", str(study), "--out", "mine"]) == 0
    assert (here / "mine" / "results.json").read_bytes() == first
    for name in ("report.html", "tables.xlsx", "methods.md"):
        assert (here / "mine" / name).read_bytes() == (here / "mine.previous" / name).read_bytes()
    assert "the run that stood there before" in capsys.readouterr().out


def test_somebody_elses_folder_is_refused(study: Path, here: Path, capsys: Captured) -> None:
    (here / "full").mkdir()
    (here / "full" / "letter.txt").write_text("mine")
    assert cli.main(["analyse", str(study), "--out", "full"]) == 3
    assert "not a run of this package" in capsys.readouterr().err


def test_check_without_a_dictionary_says_what_it_can(here: Path, capsys: Captured) -> None:
    (here / "wrists.csv").write_text(
        f"Patient name,Grip\n{CANARY},30 kg\n{CANARY},n/a\n{CANARY},31\n", encoding="utf-8"
    )
    assert cli.main(["check", "wrists.csv"]) == 2
    shown = capsys.readouterr().out
    assert "3 rows below the headings in row 1" in shown
    assert "look like identifiers of patients: Patient name" in shown
    assert "-d dictionary.toml" in shown
    assert CANARY not in shown
    assert not (here / "runs").exists()


def test_check_with_a_dictionary_gives_a_query_list(here: Path, capsys: Captured) -> None:
    (here / "w.csv").write_text(f"No,Grip\n1,30\n2,{CANARY}\n", encoding="utf-8")
    (here / "d.toml").write_text(
        'format = "outcomes dictionary 1"\n[columns."No"]\nis = "patient_id"\n'
        '[columns."Grip"]\nis = "grip"\nhand = "injured"\ntime = "12 months"\nunit = "kg"\n', encoding="utf-8",
    )  # fmt: skip
    assert cli.main(["check", "w.csv", "-d", "d.toml", "--out", "q"]) == 2
    shown, error = capsys.readouterr()
    assert CANARY not in shown + error
    folder = Path(shown.splitlines()[-1])
    assert folder == here / "q-private"
    assert CANARY in (folder / "query_list.csv").read_text(encoding="utf-8-sig")


def test_check_without_findings_is_done(here: Path, capsys: Captured) -> None:
    (here / "w.csv").write_text("No,Grip\n1,30\n2,31\n", encoding="utf-8")
    (here / "d.toml").write_text(
        'format = "outcomes dictionary 1"\n[columns."No"]\nis = "patient_id"\n'
        '[columns."Grip"]\nis = "grip"\nhand = "injured"\ntime = "12 months"\nunit = "kg"\n', encoding="utf-8",
    )  # fmt: skip
    assert cli.main(["check", "w.csv", "-d", "d.toml"]) == 0
    assert "nothing to ask" in capsys.readouterr().out


def test_check_of_a_study_shows_flow_and_no_outcome(study: Path, capsys: Captured) -> None:
    assert cli.main(["check", str(study)]) == 2
    shown = capsys.readouterr().out
    assert "participant flow of the plan" in shown
    assert "rows read = " in shown
    assert "interval" not in shown


def test_a_check_that_would_be_refused_says_everything_and_still_writes_the_query_list(
    study: Path, here: Path, capsys: Captured
) -> None:
    text = study.read_text(encoding="utf-8").replace(
        "[covariates]\nnames = [", '[covariates]\nnames = [ "shoe_size",'
    )
    study.write_text(
        text.replace('margin_unit = "percentage points"', 'margin_unit = "kg"'), encoding="utf-8"
    )
    assert cli.main(["check", str(study), "--out", "q"]) == 3
    shown = capsys.readouterr().out
    assert shown.count("analyse would refuse: ") == 2
    assert "shoe_size" in shown
    assert "the margin of grip_share_12_months is in 'kg'" in shown
    assert Path(shown.splitlines()[-1]) == here / "q-private"
    assert (here / "q-private" / "query_list.csv").is_file()


def test_a_check_says_what_is_beyond_the_limits(here: Path, capsys: Captured) -> None:
    rows = "".join(f"{number},30\n" for number in range(1, 9))
    (here / "w.csv").write_text(f"No,Grip\n{rows},31\n", encoding="utf-8")
    (here / "d.toml").write_text(
        'format = "outcomes dictionary 1"\n[columns."No"]\nis = "patient_id"\n'
        '[columns."Grip"]\nis = "grip"\nhand = "injured"\ntime = "12 months"\nunit = "kg"\n', encoding="utf-8",
    )  # fmt: skip
    assert cli.main(["check", "w.csv", "-d", "d.toml"]) == 2
    assert "READ FIRST: 1 of 9 rows of cases were set aside" in capsys.readouterr().out


def test_verify_names_what_was_altered(study: Path, here: Path, capsys: Captured) -> None:
    cli.main(["analyse", str(study), "--out", "mine"])
    capsys.readouterr()
    (here / "mine" / "methods.md").write_text("other")
    assert cli.main(["verify", "mine"]) == 3
    assert "methods.md was altered" in capsys.readouterr().err
    assert cli.main(["verify", str(here)]) == 3


def test_a_fault_of_ours_shows_kind_and_place_and_no_value(
    monkeypatch: pytest.MonkeyPatch, study: Path, here: Path, capsys: Captured
) -> None:
    def broken(*_: object, **__: object) -> None:
        raise KeyError(CANARY)

    monkeypatch.setattr("outcomes.analysis.run.answer_question", broken)
    assert cli.main(["analyse", str(study), "--out", "mine"]) == 1
    shown = "".join(capsys.readouterr())
    assert CANARY not in shown
    assert "Traceback" not in shown
    assert "KeyError in outcomes.analysis.run, line" in shown
    assert not (here / "mine").exists()


def test_an_interruption_leaves_with_130(monkeypatch: pytest.MonkeyPatch, study: Path, here: Path) -> None:
    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr("outcomes.reporting.run_folder.build_report", interrupted)
    assert cli.main(["analyse", str(study), "--out", "mine"]) == 130
    assert not any("partial" in path.name or path.name == "mine" for path in here.iterdir())


def test_another_environment_gives_the_same_bytes(study: Path, here: Path) -> None:
    assert cli.main(["analyse", str(study), "--out", "mine"]) == 0
    other = here / "other"
    other.mkdir()
    changed = {"PYTHONHASHSEED": "77", "TZ": "Asia/Kolkata", "LC_ALL": "C", "OPENBLAS_NUM_THREADS": "1",
               "PYTHONPATH": str(ROOT)}  # fmt: skip
    command = [sys.executable, "-m", "outcomes", "analyse", str(study), "--out", "mine"]
    subprocess.run(command, cwd=other, env={**os.environ, **changed}, check=True, capture_output=True)
    first, second = here / "mine", other / "mine"
    names = sorted(path.relative_to(first) for path in first.rglob("*") if path.is_file())
    dated = {Path("manifest.json"), Path("run.log")}
    different = [
        name
        for name in names
        if name not in dated and (first / name).read_bytes() != (second / name).read_bytes()
    ]
    assert different == []


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_request_to_terminate_leaves_with_130_and_nothing_behind(study: Path, here: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "outcomes", "analyse", str(study), "--out", "mine"],
        stdout=subprocess.DEVNULL, stderr=subprocess.PIPE, env={**os.environ, "PYTHONPATH": str(ROOT)},
    )  # fmt: skip
    while process.poll() is None and not (here / "mine.partial").exists():
        time.sleep(0.002)
    process.send_signal(signal.SIGTERM)
    _, error = process.communicate(timeout=60)
    assert process.returncode == 130, error
    assert [path.name for path in here.iterdir() if path.name.startswith(("mine", ".mine"))] == []


def test_warnings_of_libraries_are_counted_and_not_quoted(
    monkeypatch: pytest.MonkeyPatch, capsys: Captured
) -> None:
    import warnings

    def noisy(_: object) -> int:
        warnings.warn(CANARY, RuntimeWarning, stacklevel=1)
        return 0

    monkeypatch.setattr(cli, "_demo", noisy)
    assert cli.main(["demo"]) == 0
    shown = "".join(capsys.readouterr())
    assert CANARY not in shown
    assert "1 x RuntimeWarning from a library" in shown


@pytest.mark.parametrize("encoding", ["ascii", "cp1252", "cp437"])
def test_a_console_that_cannot_print_a_sign_gets_a_plain_one(
    monkeypatch: pytest.MonkeyPatch, encoding: str
) -> None:
    console = io.TextIOWrapper(io.BytesIO(), encoding=encoding)
    monkeypatch.setattr(sys, "stdout", console)

    def minus(_: object) -> int:
        cli._say("difference −2.0, tilt ≥ 10\u00a0degrees")
        return 0

    monkeypatch.setattr(cli, "_demo", minus)
    assert cli.main(["demo"]) == 0
    console.seek(0)
    assert "2.0, tilt" in console.read()


def test_the_run_holds_the_numbers_the_screen_shows(study: Path, here: Path, capsys: Captured) -> None:
    cli.main(["analyse", str(study), "--out", "mine"])
    shown = capsys.readouterr().out
    page = (here / "mine" / "report.html").read_text(encoding="utf-8")
    line = next(line for line in shown.splitlines() if line.startswith("meeting the criteria: "))
    estimate = line.removeprefix("meeting the criteria: ").split("\u00a0")[0]
    assert f">{estimate}<" in page
