"""The truths beside the measured data are what numpy computes from the files as they lie here, and nothing else."""

from __future__ import annotations

import pytest

from tests.data import make_truths


@pytest.mark.parametrize("name", make_truths.MAKERS)
def test_the_truths_are_those_of_the_files(name: str) -> None:
    """Source: the files themselves; `python -m tests.data.make_truths` writes them again."""
    assert (make_truths.HERE / name / "truths.json").read_text() == make_truths.text(name)


def test_every_data_set_has_its_truths() -> None:
    """No folder of measured data is left out."""
    assert {path.name for path in make_truths.HERE.iterdir() if path.is_dir()} - {"__pycache__"} == set(
        make_truths.MAKERS
    )
