"""Parts of a data set for a learning curve."""

from robotlab.data import DataSet, LabeledImage
from robotlab.neural import nested_subsets


def test_parts_are_nested_and_share_out_the_recordings():
    rows = [LabeledImage(n, f"{n}.png", 8, 6, recording="abc"[n % 3]) for n in range(60)]
    data = DataSet("annotations.json", ("post", "crate"), (1, 2), rows)
    small, large = nested_subsets(data, (9, 30))
    assert {e.id for e in small} < {e.id for e in large}
    assert [sum(e.recording == r for e in small) for r in "abc"] == [3, 3, 3]
