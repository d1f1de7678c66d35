"""Figures as SVG text that can stand in a page: text stays text, equal figures give equal bytes."""

import io

import matplotlib
from matplotlib.figure import Figure


def to_svg(figure: Figure) -> str:
    """The figure's `<svg>` element, without the file's head, as wide as the page lets it be.

    Args:
        figure: made without pyplot (`Figure(figsize=…)`), so that nothing stays open.

    Example:
        >>> to_svg(Figure(figsize=(2, 1)))[:22]
        '<svg width="100%" view'
    """
    text = io.StringIO()
    # Letters stay text that can be searched and scaled; identifiers do not change from run to run.
    with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "jointwise"}):
        figure.savefig(text, format="svg", metadata={"Date": None, "Creator": None}, facecolor="white")
    whole = text.getvalue()
    element = whole[whole.index("<svg") :]
    head, rest = element.split(">", 1)
    box = head[head.index("viewBox=") :]
    return f'<svg width="100%" {box}>{rest}'
