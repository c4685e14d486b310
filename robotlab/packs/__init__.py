"""Packs to hand out: the course without answers, with wheels for a room without network, a robot's folder.

Each is written whole or not at all, to a new folder or zip file.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.packs.class_pack import pack_class
    from robotlab.packs.offline_pack import pack_offline
    from robotlab.packs.platforms import PLATFORMS
    from robotlab.packs.robot_pack import pack_robot
    from robotlab.packs.writing import WrittenPack

load_lazily(__name__)
