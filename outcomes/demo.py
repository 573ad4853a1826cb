"""The demonstration: the whole job on the bundled invented cohort, as a department would keep it."""

from __future__ import annotations

from importlib import resources
from pathlib import Path

from outcomes.analysis.run import Analysis, analyse
from outcomes.errors import RunError
from outcomes.reporting.inputs import read_inputs
from outcomes.reporting.run_folder import RunFolder, write_run

#: Files of the bundled cohort that a demonstration reads, and leaves as templates.
FILES = ("study.toml", "department_dictionary.toml", "department.xlsx")


def demo_files() -> Path:
    """Return the folder of the bundled invented cohort.

    Raises
    ------
    RunError
        When the package was installed without it.
    """
    folder = resources.files("synthetic_cohort").joinpath("data")
    if not isinstance(folder, Path) or not all((folder / name).is_file() for name in FILES):
        raise RunError(
            f"the bundled cohort is incomplete (it needs {', '.join(FILES)}); install the package again",
            code="no_demo_data",
        )
    return folder


def run_demo(out: Path | None = None) -> tuple[Analysis, RunFolder]:
    """Analyse the bundled invented cohort and leave its study, dictionary and table as templates.

    Parameters
    ----------
    out : Path, optional
        Default a new dated folder below ``runs``.

    Returns
    -------
    Analysis, RunFolder
    """
    folder = demo_files()
    inputs = read_inputs(folder / "study.toml")
    analysis = analyse(inputs.cohort, inputs.study)
    # The table is invented, so it may lie beside its study: the templates run as they are.
    templates = {name: (folder / name).read_bytes() for name in FILES}
    return analysis, write_run(analysis, out, inputs=inputs.files, command="demo", also_private=templates)
