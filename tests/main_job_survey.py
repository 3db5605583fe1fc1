"""The sample survey mapped once, a folder of surveys of it, and the command line, for the tests of the main job."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import pytest

from pitmap.casebook.sample import sample_folder
from pitmap.classes import Stage
from pitmap.cli import main
from pitmap.drawing import load_shipped
from pitmap.estimate import Estimate
from pitmap.inspection import Inspection, save_inspection
from pitmap.pipeline import map_face
from pitmap.settings import Settings

SURVEY = "a_test_lap"


DRAWING = "heron40_intermediate_a"


@pytest.fixture(scope="session")
def photo() -> Path:
    return sample_folder() / SURVEY / "photo.jpg"


@pytest.fixture(scope="session")
def steps() -> list[tuple[str, float]]:
    return []


@pytest.fixture(scope="session")
def inspection(photo: Path, steps: list[tuple[str, float]]) -> Inspection:
    return map_face(
        [photo],
        load_shipped(DRAWING),
        stage=Stage("test_lap"),
        settings=Settings(map_px_per_mm=5.0, picture_px_per_mm=2.0),
        progress=lambda step, share: steps.append((step, share)),
    )


@pytest.fixture(scope="session")
def folder(inspection: Inspection, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save_inspection(inspection, tmp_path_factory.mktemp("out") / "face")


def run(*argv: str) -> int:
    """The exit code of the command line."""
    with pytest.raises(SystemExit) as stop:
        main(list(argv))
    return int(stop.value.code or 0)


@pytest.fixture
def series(inspection: Inspection, tmp_path: Path) -> Path:
    """One folder with two surveys of face A, the test lap and a lap after it, with known stock."""
    job = tmp_path / "job"
    for stage, removed, day in (("test_lap", 22.0, 5), ("lap_1", 40.0, 7)):
        survey = replace(
            inspection,
            face="A",
            stage=Stage(stage),
            surveyed_on=date(2031, 3, day),
            removed_um=Estimate.from_sd(removed, 3.0),
        )
        save_inspection(survey, job / stage)
    return job
