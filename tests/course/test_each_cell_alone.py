"""After a restart any cell of a lesson works, or says what to run first: one cell of each lesson."""

import pytest
from each_cell_alone import SOURCES, alone, cells_of, clear

NUMBERS = [path.name[:2] for path in sorted(SOURCES.glob("[0-9][0-9]_*.py"))]


@pytest.mark.slow
@pytest.mark.parametrize("number", NUMBERS[::3])
def test_a_late_cell_on_a_fresh_kernel_says_what_to_run_first(number, tmp_path):
    path, cells = cells_of(number, tmp_path)
    # The last one that is not the learner's own part or its progress: it needs what is above.
    said = alone(path, [cell for cell in cells if "compare_guess(" in cell][-1])
    assert said and clear(said), said


@pytest.mark.slow
def test_what_works_and_what_fails_otherwise_are_told_apart(tmp_path):
    path, cells = cells_of("09", tmp_path)
    assert alone(path, cells[0]) == ""
    assert clear("") and not clear("ValueError:\nno line")
    assert not clear(alone(path, "nothing_here")) and not clear(alone(path, "1 / 0")) and not clear(alone(path, "1 +"))
