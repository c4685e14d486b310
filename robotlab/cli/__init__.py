"""The ``robotlab`` command: its options in ``parser``, what each command does in ``commands``."""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.cli.parser import main, run

load_lazily(__name__)
