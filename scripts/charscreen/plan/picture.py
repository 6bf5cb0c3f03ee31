"""A picture of a plan: firings from top to bottom, crucibles from left to right."""

from collections.abc import Mapping
from html import escape

import pandas as pd

from charscreen.plan.pages import is_present, name_of

_WIDTH, _ROW, _HEAD, _LABEL = 1000.0, 44.0, 22.0, 110.0
# Firings in one picture: as many as stand on a printed page.
_FIRINGS = 18


def layout_pictures(
    design: pd.DataFrame, known: Mapping[str, Mapping], *, crucibles: int
) -> list[str]:
    """The char firings of a plan as SVG pictures, some firings in each.

    Parameters
    ----------
    design : DataFrame
        Design of a plan, in run order.
    known : mapping of str to mapping
        Feedstock table by id.
    crucibles : int
        Places in the kiln.

    Returns
    -------
    list of str
        A white place is a lot without activation, a grey one goes on to KOH in the firing that is
        named, a thick frame is a reference lot, a dash an empty place. What is shown by grey or
        frame stands there in words too.
    """
    firings = [here for _, here in design.groupby("firing", sort=False)]
    return [
        _picture(firings[first : first + _FIRINGS], known, crucibles)
        for first in range(0, len(firings), _FIRINGS)
    ]


def _picture(firings: list[pd.DataFrame], known: Mapping[str, Mapping], crucibles: int) -> str:
    width = (_WIDTH - _LABEL) / crucibles
    height = _HEAD + _ROW * len(firings)
    parts = [
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:g}" '
        f'role="img" font-family="inherit" font-size="12">',
        "<title>Lots in firings and crucibles</title>",
    ]
    for c in range(crucibles):
        x = _LABEL + (c + 0.5) * width
        parts.append(f'<text x="{x:.1f}" y="15" text-anchor="middle">{c + 1}</text>')
    for k, here in enumerate(firings):
        y = _HEAD + k * _ROW
        first = here.iloc[0]
        conditions = f"{first['peak_temperature_C']:g} °C, {first['hold_min']:g} min"
        parts.append(
            f'<text x="0" y="{y + 18:.1f}" font-weight="bold">{escape(str(first["firing"]))}</text>'
            f'<text x="0" y="{y + 34:.1f}">{conditions}</text>'
        )
        at = {str(lot["crucible"]): lot for lot in here.to_dict("records")}
        parts += [
            _place(at.get(str(c + 1)), known, _LABEL + c * width, y, width)
            for c in range(crucibles)
        ]
    return "".join([*parts, "</svg>"])


def _place(
    lot: Mapping | None, known: Mapping[str, Mapping], x: float, y: float, width: float
) -> str:
    box = f'x="{x + 2:.1f}" y="{y + 2:.1f}" width="{width - 4:.1f}" height="{_ROW - 4:.1f}"'
    middle = x + width / 2
    if lot is None:
        return (
            f'<rect {box} fill="none" stroke="#999" stroke-dasharray="3 3"/>'
            f'<text x="{middle:.1f}" y="{y + 26:.1f}" text-anchor="middle">–</text>'
        )
    activated = is_present(lot.get("activation_firing"))
    reference = lot.get("role") == "reference"
    remark = [str(lot["run"])]
    if activated:
        remark.append(f"KOH {lot['activation_firing']}")
    if reference:
        remark.append("ref.")
    room = max(3, int(width / 7))
    return (
        f'<rect {box} fill="{"#ddd" if activated else "#fff"}" stroke="#000" '
        f'stroke-width="{2.5 if reference else 0.8}"/>'
        f'<text x="{middle:.1f}" y="{y + 18:.1f}" text-anchor="middle">'
        f"{escape(_short(name_of(lot['feedstock'], known), room))}</text>"
        f'<text x="{middle:.1f}" y="{y + 34:.1f}" text-anchor="middle" font-size="11">'
        f"{escape(_short(', '.join(remark), room))}</text>"
    )


def _short(text: str, room: int) -> str:
    return text if len(text) <= room else f"{text[: room - 1].rstrip()}…"
