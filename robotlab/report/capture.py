"""The capture plan as a page to print, with boxes to check off."""

from __future__ import annotations

import html
import math

from robotlab.gather.plan import CapturePlan

# More boxes than this in a row are counted in fives.
_MOST_BOXES = 24

_STYLE = """
@page { size: A4; margin: 14mm; }
body { font: 15px/1.4 system-ui, sans-serif; color: #1d2420; max-width: 46rem; margin: 1rem auto; padding: 0 1rem; }
h1 { font-size: 1.5rem; margin: 0 0 .3rem; } h2 { font-size: 1.02rem; margin: .75rem 0 .15rem; }
p { margin: .25rem 0; } table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; padding: .12rem .6rem .12rem 0; border-bottom: 1px solid #c9d1c6; vertical-align: top; }
th { font-weight: 500; width: 13rem; } .count { width: 6rem; white-space: nowrap; } .boxes { letter-spacing: .1em; font-size: 1.1em; line-height: 1.15; }
.note { color: #333; border-left: 4px solid #0072b2; padding-left: .6rem; margin-top: .7rem; }
@media print { body { margin: 0; padding: 0; max-width: none; font-size: 11pt; } }
"""
_TITLES = {
    "distance": "How far away (from the lens, along the floor)",
    "side": "At which angle: where in the picture",
    "lighting": "In which light",
    "background": "Where: each place is a recording of its own",
    "without it": "Pictures without the object: what it must not be taken for",
}


def capture_page(plan: CapturePlan, name: str = "the object") -> str:
    """A plan as one page of HTML, to be printed and checked off.

    Parameters
    ----------
    plan : CapturePlan
        From :func:`robotlab.gather.capture_plan`.
    name : str
        What the object is called.

    Returns
    -------
    str
        HTML; what is there already is ticked.
    """
    camera = plan.camera
    parts = [
        f"<h1>Capture plan: {html.escape(name)}</h1>",
        (
            f"<p>Camera {camera.width_px} × {camera.height_px} px, {math.degrees(camera.hfov_rad):.0f}° across, lens "
            f"{camera.height_m:.2f} m above the floor, looking down {math.degrees(camera.pitch_rad):.0f}°. Object "
            f"{plan.height_m:.2f} m tall: usable from {plan.near_m:.2f} to {plan.far_m:.2f} m. "
            f"{plan.wanted} pictures wanted, {plan.there} there. One picture ticks a box in each list that it fits.</p>"
        ),
    ]
    for group, title in _TITLES.items():
        rows = "".join(
            f'<tr><th scope="row">{html.escape(quota.label)}</th><td class="count">{min(quota.there, 9999)} of {quota.wanted}</td>'
            f'<td class="boxes" aria-label="{quota.missing} to take">{_boxes(quota.there, quota.wanted)}</td></tr>'
            for quota in plan.group(group)
        )
        parts.append(f"<h2>{title}</h2><table>{rows}</table>")
    if plan.unknown:
        parts.append(f"<p>{plan.unknown} boxes touch an edge: their distance is not known.</p>")
    parts.append(
        '<p class="note">Turn the object between pictures, and let other objects hide a part of it now and then. Walk slowly, '
        "or stop: what is blurred is left out. Look where you walk, and keep people out of the pictures, or ask them.</p>"
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, '
        f'initial-scale=1"><title>Capture plan: {html.escape(name)}</title><style>{_STYLE}</style></head><body>\n'
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def _boxes(there: int, wanted: int) -> str:
    """One box a picture, ticked where it is there; in fives where there are many."""
    each = 1 if wanted <= _MOST_BOXES else 5
    count = math.ceil(wanted / each)
    done = count if there >= wanted else there // each
    return "☑" * done + "☐" * (count - done) + (f" <small>(each {each})</small>" if each > 1 else "")
