"""Sites on a map without a map: where they lie to each other, those that are spoken of filled. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from html import escape
from math import cos, radians

_SIDE, _EDGE = 400.0, 24.0
_LEAST_DEGREES = 0.02  # about 2 km: a single street fills no more of the picture than that


def place_map(spoken_of: Sequence[tuple[str, float, float]], others: Sequence[tuple[str, float, float]]) -> str:
    """Draw areas as dots, each as large as it has sites: filled where they are spoken of, hollow for the others. Each
    site is its area's name and degrees north and east; north is up, degrees of longitude shortened by the latitude.
    "" where nothing is to be shown."""
    if not spoken_of:
        return ""
    counts, rest = Counter(spoken_of), Counter(others)
    points = [*counts, *rest]
    middle_n = (max(p[1] for p in points) + min(p[1] for p in points)) / 2
    middle_e = (max(p[2] for p in points) + min(p[2] for p in points)) / 2
    narrow = max(0.01, cos(radians(middle_n)))
    half = max([_LEAST_DEGREES, *(max(abs(p[1] - middle_n), abs(p[2] - middle_e) * narrow) for p in points)])
    scale = (_SIDE / 2 - _EDGE) / half

    def at(point: tuple[str, float, float]) -> tuple[float, float]:
        return _SIDE / 2 + (point[2] - middle_e) * narrow * scale, _SIDE / 2 - (point[1] - middle_n) * scale

    hollow = [_dot(at(point), f"{point[0]}: {n} heard from", n, filled=False) for point, n in rest.items()]
    filled = [_dot(at(point), f"{point[0]}: {n} silent", n, filled=True) for point, n in counts.items()]
    names = [_name(*at(point), point[0], count) for point, count in counts.most_common(12)]
    words = f"Where they are: {', '.join(f'{point[0]} {count}' for point, count in counts.most_common())}"
    return (
        f'<svg class="map" viewBox="0 0 {_SIDE:g} {_SIDE:g}" role="img" aria-label="{escape(words)}" font-size="14" '
        f'fill="currentColor">{"".join([*hollow, *filled, *names])}'
        f'<path d="M16 40V16M10 24L16 14L22 24" fill="none" stroke="currentColor"/><text x="26" y="24">N</text></svg>'
    )


def _dot(at: tuple[float, float], words: str, count: int, *, filled: bool) -> str:
    radius, fill = min(16.0, 3.0 + 1.5 * count**0.5), "currentColor" if filled else "none"
    return (
        f'<circle cx="{at[0]:.1f}" cy="{at[1]:.1f}" r="{radius:.1f}" fill="{fill}" fill-opacity="0.8" '
        f'stroke="currentColor"><title>{escape(words)}</title></circle>'
    )


def _name(x: float, y: float, area: str, count: int) -> str:
    left = x > _SIDE * 0.7
    at_x = x - 14 if left else x + 14
    anchor = ' text-anchor="end"' if left else ""
    return f'<text x="{at_x:.1f}" y="{y + 4:.1f}"{anchor}>{escape(area)} ({count})</text>'
