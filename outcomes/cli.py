"""The command line: arguments in, exit code out.

Exit codes: 0 done; 1 a fault in this program; 2 done, read the banner; 3 refused; 130 interrupted. Nothing heavy
is imported before a command runs, and no message carries the content of a cell.
"""

from __future__ import annotations

import argparse
import signal
import sys
import threading
import warnings
from collections.abc import Callable, Sequence
from pathlib import Path
from types import TracebackType
from typing import TYPE_CHECKING, NoReturn

from outcomes.errors import OutcomesError, OutcomesWarning

if TYPE_CHECKING:
    from outcomes.analysis.run import Analysis
    from outcomes.reporting.run_folder import RunFolder

DONE, FAULT, READ_FIRST, REFUSED, INTERRUPTED = 0, 1, 2, 3, 130

FIRST_COMMANDS = """\
outcomes: was it the reduction or the implant?

  surgeon with a spreadsheet     outcomes demo
                                 outcomes check wrists.xlsx
  registry analyst, every year   outcomes analyse study.toml --out runs/2026
  whoever checks a result        outcomes verify runs/2026

outcomes --help shows every command with examples.
"""

EXAMPLES = """\
examples:
  outcomes demo
  outcomes check wrists.xlsx
  outcomes check wrists.xlsx -d dictionary.toml
  outcomes check study.toml
  outcomes analyse study.toml --out runs/first
  outcomes verify runs/first

exit codes: 0 done, 1 a fault in this program, 2 done but read the banner, 3 refused, 130 interrupted
2 from analyse and demo: an effect points the unexpected way, more than 10 % of the rows of cases were set aside, more
than 20 % of the cases have no clear strategy, or fewer than half of the eligible cases are used for the primary
outcome. A closed gate, or "these data cannot tell", is a proper answer and is 0. 2 from check: something is to be
answered or put right, one of these shares is passed, or there was no dictionary; 3 from check: analyse would refuse.
2 from verify: intact, but the inputs are not there to compute it again.

Associations in past cases, not treatment advice. Local protocols, ethics approval and licensed practice decide.
Not a medical device.
"""


class _Parser(argparse.ArgumentParser):
    """A parser that refuses wrong arguments with the exit code of a refusal."""

    def error(self, message: str) -> NoReturn:
        """Say what is wrong and how to get help."""
        _say(f"{self.prog}: {message}\nhelp: {self.prog} --help", to_error=True)
        raise SystemExit(REFUSED)


class _Version(argparse.Action):
    """Print the version only when it is asked for: finding it costs more than parsing."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object, **__: object) -> None:
        """Print and leave."""
        from outcomes import __version__

        _say(f"outcomes {__version__}")
        raise SystemExit(DONE)


def make_parser() -> argparse.ArgumentParser:
    """Return the parser of every command."""
    parser = _Parser(
        prog="outcomes",
        description="Was it the reduction or the implant? Outcomes research on distal radius fractures.",
        epilog=EXAMPLES,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="show the version")
    commands = parser.add_subparsers(dest="command", metavar="COMMAND", parser_class=_Parser)

    demo = _command(
        commands, "demo", "the whole job on the bundled invented cohort", "outcomes demo --out runs/demo"
    )
    demo.add_argument(
        "--out", metavar="DIR", type=Path, help="folder of the run; default a new dated one below runs"
    )

    check = _command(
        commands,
        "check",
        "what is missing, impossible or unreadable, and a query list",
        "outcomes check wrists.xlsx\n  outcomes check wrists.xlsx -d dictionary.toml\n  outcomes check study.toml",
    )
    check.add_argument(
        "file", metavar="STUDY or FILE", type=Path, help="a study file, or a CSV, XLSX or Parquet table"
    )
    check.add_argument("-d", "--dictionary", metavar="DICTIONARY", type=Path, help="what each column means")
    check.add_argument("--sheet", default="", help="sheet to look at, when there is no dictionary yet")
    check.add_argument(
        "--header-row",
        type=_row_number,
        metavar="N",
        help="row of the headings, when there is no dictionary yet",
    )
    check.add_argument("--out", metavar="DIR", type=Path, help="where the query list goes (DIR-private)")

    for name in ("analyse", "analyze"):
        text = "label, describe, compare, answer, report" if name == "analyse" else argparse.SUPPRESS
        analyse = _command(commands, name, text, "outcomes analyse study.toml --out runs/first")
        analyse.add_argument(
            "study", metavar="STUDY", type=Path, help="the study file, which is the declared plan"
        )
        analyse.add_argument(
            "--out", metavar="DIR", type=Path, help="folder of the run; default a new dated one below runs"
        )

    verify = _command(
        commands,
        "verify",
        "is a run intact, and does it come out the same again?",
        "outcomes verify runs/first\n  outcomes verify runs/first --study study.toml",
    )
    verify.add_argument("folder", metavar="FOLDER", type=Path, help="the folder of a run")
    verify.add_argument(
        "--study", metavar="STUDY", type=Path, help="the study file, when it is not where it was"
    )
    return parser


def _row_number(text: str) -> int:
    """Return a physical row, counted from 1 as spreadsheet programs do."""
    if not text.isascii() or not text.isdigit() or int(text) < 1:
        raise argparse.ArgumentTypeError("give the number of a row, counted from 1")
    return int(text)


def _command(
    commands: argparse._SubParsersAction[_Parser], name: str, text: str, example: str
) -> argparse.ArgumentParser:
    """Add a command with a runnable example; a suppressed text keeps an alias out of the list."""
    hidden = text == argparse.SUPPRESS
    about = "Same as analyse." if hidden else f"{text[0].upper()}{text[1:]}"
    epilog, layout = f"examples:\n  {example}", argparse.RawDescriptionHelpFormatter
    if hidden:
        return commands.add_parser(name, description=about, epilog=epilog, formatter_class=layout)
    parser = commands.add_parser(name, help=text, description=about, epilog=epilog, formatter_class=layout)
    return parser


def main(arguments: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Parameters
    ----------
    arguments : sequence of str, optional
        Default those of the process.

    Returns
    -------
    int
        0 done, 1 fault, 2 done with something to read first, 3 refused, 130 interrupted.
    """
    _make_printable()
    try:
        chosen = _parse(arguments)
    except SystemExit as left:
        return int(left.code or DONE) if not isinstance(left.code, str) else REFUSED
    if chosen.command is None:
        _say(FIRST_COMMANDS)
        return DONE
    command = {"demo": _demo, "check": _check, "verify": _verify}.get(chosen.command, _analyse)
    return _guarded(command, chosen)


def _parse(arguments: Sequence[str] | None) -> argparse.Namespace:
    """Parse; what a command does not know is refused with the help of that command."""
    parser = make_parser()
    chosen, unknown = parser.parse_known_args(arguments)
    if unknown:
        if chosen.command is not None:
            parser.prog = f"{parser.prog} {chosen.command}"
        parser.error(f"unrecognised arguments: {' '.join(unknown)}")
    return chosen


def _guarded(command: Callable[[argparse.Namespace], int], chosen: argparse.Namespace) -> int:
    """Run a command; turn every way of failing into a code and a message without patient values."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        try:
            with _Terminable():
                code = command(chosen)
        except KeyboardInterrupt:
            _say("interrupted; nothing was changed", to_error=True)
            code = INTERRUPTED
        except OutcomesError as error:
            _say(f"refused: {error}", to_error=True)
            code = REFUSED
        except Exception as error:
            # The text of an unexpected error may quote a cell, so only its kind and place are shown.
            _say(
                f"a fault in outcomes: {_place_of(error)}; nothing was written. Please report this line (it holds no "
                "patient data)",
                to_error=True,
            )
            code = FAULT
    _say_warnings(caught)
    return code


class _Terminable:
    """Turn a request to terminate into an interruption, so that half-written folders are removed."""

    def __enter__(self) -> None:
        # Signals belong to the main thread; a caller in another one keeps its own way of stopping.
        self._active = threading.current_thread() is threading.main_thread()
        if self._active:
            self._before = signal.getsignal(signal.SIGTERM)
            signal.signal(signal.SIGTERM, self._stop)

    @staticmethod
    def _stop(*_: object) -> NoReturn:
        raise KeyboardInterrupt

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._active:
            signal.signal(signal.SIGTERM, self._before)


def _place_of(error: Exception) -> str:
    """Return type, module and line of the innermost frame of this package, never the text of the error."""
    place, trace = "unknown place", error.__traceback__
    while trace is not None:
        module = str(trace.tb_frame.f_globals.get("__name__", ""))
        if module.split(".")[0] in ("outcomes", "synthetic_cohort"):
            place = f"{module}, line {trace.tb_lineno}"
        trace = trace.tb_next
    return f"{type(error).__name__} in {place}"


def _say_warnings(caught: Sequence[warnings.WarningMessage]) -> None:
    """Print own warnings in words; of others only the kind and the count, since they may quote data."""
    own = [str(each.message) for each in caught if issubclass(each.category, OutcomesWarning)]
    for text in dict.fromkeys(own):
        _say(f"warning: {text}", to_error=True)
    others = [each.category.__name__ for each in caught if not issubclass(each.category, OutcomesWarning)]
    for kind in sorted(set(others)):
        _say(f"warning: {others.count(kind)} x {kind} from a library", to_error=True)


def _demo(chosen: argparse.Namespace) -> int:
    from outcomes.demo import run_demo
    from outcomes.reporting.places import refuse_unusable

    refuse_unusable(chosen.out)
    _progress("reading and analysing the bundled invented cohort")
    return _finished(*run_demo(chosen.out))


def _analyse(chosen: argparse.Namespace) -> int:
    from outcomes.analysis.run import analyse
    from outcomes.reporting.inputs import read_inputs, refuse_no_study
    from outcomes.reporting.places import refuse_unusable
    from outcomes.reporting.run_folder import write_run

    refuse_no_study(chosen.study)
    refuse_unusable(chosen.out)
    _progress("reading")
    inputs = read_inputs(chosen.study)
    _progress(f"analysing {len(inputs.cohort)} cases")
    analysis = analyse(inputs.cohort, inputs.study)
    _progress("writing")
    return _finished(analysis, write_run(analysis, chosen.out, inputs=inputs.files))


def _finished(analysis: Analysis, run: RunFolder) -> int:
    """Print the answer in a few lines; the folder is the last one."""
    from outcomes.reporting.screen import answer_lines

    lines, code, folder = answer_lines(analysis, run)
    _say("\n".join([*lines, str(folder)]))
    return code


def _check(chosen: argparse.Namespace) -> int:
    from outcomes.reporting.check import check_study, check_table, look_at_table, what_to_check
    from outcomes.reporting.places import refuse_unusable

    what = what_to_check(
        chosen.file, chosen.dictionary, first_look=bool(chosen.sheet) or chosen.header_row is not None
    )
    if what != "look":
        refuse_unusable(chosen.out, only_private=True)
    if what == "study":
        result = check_study(chosen.file, chosen.out)
    elif what == "table":
        result = check_table(chosen.file, chosen.dictionary, chosen.out)
    else:
        result = look_at_table(chosen.file, sheet=chosen.sheet, header_row=chosen.header_row)
    _say("\n".join([*result.lines, *([str(result.folder)] if result.folder is not None else [])]))
    if result.refused:
        return REFUSED
    return READ_FIRST if result.n_findings else DONE


def _verify(chosen: argparse.Namespace) -> int:
    from outcomes.reporting.verify import verify_run

    _progress("checking files, then computing the results again")
    found = verify_run(chosen.folder, chosen.study)
    _say(f"{found}\n{chosen.folder}", to_error=found.exit_code == REFUSED)
    return found.exit_code


def _progress(text: str) -> None:
    """Say what is being done when a person is watching."""
    if sys.stderr is not None and sys.stderr.isatty():
        _say(f"... {text}", to_error=True)


def _say(text: str, *, to_error: bool = False) -> None:
    """Print; a console that cannot show a character gets a plain one."""
    stream = sys.stderr if to_error else sys.stdout
    if stream is None:
        return
    try:
        print(text, file=stream, flush=True)
    except UnicodeEncodeError:
        encoding = stream.encoding or "ascii"
        print(_plain(text).encode(encoding, "replace").decode(encoding), file=stream, flush=True)
    except BrokenPipeError:
        _leave_quietly()


def _leave_quietly() -> None:
    """Send what is still to be printed nowhere: whoever read it has left."""
    import os

    os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _plain(text: str) -> str:
    """Return the text with the signs that old consoles lack written in plain characters."""
    plain: dict[str, str | int | None] = {
        "\N{MINUS SIGN}": "-",
        "\N{EN DASH}": "-",
        "\N{NO-BREAK SPACE}": " ",
        "\N{GREATER-THAN OR EQUAL TO}": ">=",
        "\N{LESS-THAN OR EQUAL TO}": "<=",
        "\N{DEGREE SIGN}": " degrees",
    }
    return text.translate(str.maketrans(plain))


def _make_printable() -> None:
    """Let a console that speaks UTF-8 say so; leave others to the plain fallback."""
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        encoding = (getattr(stream, "encoding", "") or "").lower().replace("-", "")
        if reconfigure is not None and encoding == "utf8":
            reconfigure(errors="replace")


def entry_point() -> NoReturn:
    """Run the command line of the process and leave with its exit code."""
    raise SystemExit(main())
