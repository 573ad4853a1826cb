"""The bundled invented cohort, analysed once and written once."""

from __future__ import annotations

import pytest

from outcomes.analysis.run import Analysis, analyse
from outcomes.demo import demo_files
from outcomes.reporting.build import build_report
from outcomes.reporting.inputs import Inputs, read_inputs
from outcomes.reporting.report import Report
from outcomes.reporting.run_folder import RunFolder, write_run


@pytest.fixture(scope="session")
def inputs() -> Inputs:
    return read_inputs(demo_files() / "study.toml")


@pytest.fixture(scope="session")
def analysis(inputs: Inputs) -> Analysis:
    return analyse(inputs.cohort, inputs.study)


@pytest.fixture(scope="session")
def report(analysis: Analysis, inputs: Inputs) -> Report:
    return build_report(analysis, inputs.files)


@pytest.fixture(scope="session")
def run(analysis: Analysis, inputs: Inputs, tmp_path_factory: pytest.TempPathFactory) -> RunFolder:
    return write_run(analysis, tmp_path_factory.mktemp("runs") / "demo", inputs=inputs.files)
