"""Many runs: a plan of what varies, one table of what came out, maps and choices.

:func:`read_plan` reads a plan, :func:`run_sweep` runs it, on one machine or a
cluster, killed and resumed as often as you like; :class:`SweepTable` is the result.
"""

from typing import TYPE_CHECKING

from robotlab._lazy import load_lazily

if TYPE_CHECKING:
    from robotlab.sweep.maps import pareto_front, plot_map, plot_maps, plot_pareto
    from robotlab.sweep.parameters import PARAMETERS
    from robotlab.sweep.parts import BOARDS, CAMERAS, best_choice, choices, flips
    from robotlab.sweep.plan import Plan, parse_plan, read_plan
    from robotlab.sweep.running import run_sweep
    from robotlab.sweep.table import SweepTable, mean_interval

load_lazily(__name__)
