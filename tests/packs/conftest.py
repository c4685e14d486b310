"""pip without an index, for all tests of packs that fetch wheels."""

import pytest
from docs_walk import ROOT
from stand_in_wheels import write_stand_ins

from robotlab.packs.offline_pack import requirements


@pytest.fixture(scope="module")
def stand_ins(tmp_path_factory):
    """pip finds wheels of the needed names in a folder, and nothing in any index."""
    needed = dict.fromkeys(requirements(ROOT, "course") + requirements(ROOT, "robot"))
    folder = write_stand_ins(tmp_path_factory.mktemp("stand_ins") / "index", needed)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PIP_NO_INDEX", "1")
        patch.setenv("PIP_FIND_LINKS", str(folder))
        yield folder
