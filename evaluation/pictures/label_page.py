"""Pages of a label sheet: each joint as eleven slices at fixed places, for a person who is to say what is in it.

The places are shares of the ball around the joint's middle, the same for every joint: nothing here looks for evidence
or knows of truth, scores or recipes.
"""

import base64
import html
from io import BytesIO
from typing import Any, Final, NamedTuple

import numpy as np
from matplotlib.image import imsave
from numpy.typing import NDArray

from jointwise.evaluation.pictures.joint_picture import DENSITY_RANGE, INK, QUIET, scale_bar_um, uniform_grey
from jointwise.joints.batch import Joints

SIDE, LAND = 0.25, 0.30
"""Distance of the outer slices from the middle, in balls: off the axis; and towards the lands, just inside them."""

STYLE: Final = f"""
:root {{ color-scheme: light; }}
body {{ margin: 0 auto; max-width: 1120px; padding: 1rem; color: {INK}; background: #fff; }}
body {{ font: 16px/1.5 system-ui, sans-serif; }}
h1 {{ font-size: 1.5rem; margin: 0 0 .5rem; }}
h2 {{ font-size: 1.15rem; margin: 0 0 .5rem; display: flex; flex-wrap: wrap; gap: 0 1rem; align-items: baseline; }}
h2 small, figcaption, .quiet {{ color: {QUIET}; font-size: .875rem; font-weight: normal; }}
section {{ border-top: 1px solid #c9ced4; padding: 1rem 0 1.5rem; break-inside: avoid; }}
.slices {{ display: grid; grid-template-columns: repeat(3, minmax(0, 1fr)); gap: .75rem 1rem; align-items: start; }}
figure {{ margin: 0; }}
figcaption {{ display: flex; justify-content: space-between; gap: .5rem; line-height: 1.3; }}
.bar {{ border-top: 3px solid {INK}; margin: 4px 0 2px auto; }}
svg {{ display: block; width: 100%; height: auto; background: #e8eaed; }}
image {{ image-rendering: pixelated; }}
table {{ border-collapse: collapse; margin: .5rem 0; }}
td, th {{ text-align: left; vertical-align: top; padding: .2rem 1rem .2rem 0; }}
.grey {{ max-width: 22rem; }}
@media (max-width: 640px) {{ .slices {{ grid-template-columns: repeat(2, minmax(0, 1fr)); gap: .5rem; }} }}
"""

WHAT: Final = (
    (
        "void",
        "gas in the solder: dark round holes that together cover 5 % or more of the joint seen from above",
    ),
    (
        "non_wet",
        "the solder does not join one of the two lands: a gap between solder and land over most of the land",
    ),
    ("bridging", "a path of solder to a neighbour; both joints get 1"),
    (
        "head_in_pillow",
        "ball and paste lie on each other as two bodies: a dark line or dish across the joint, often with a notch",
    ),
)


class Cut(NamedTuple):
    """One slice of a joint.

    Args:
        words: where it lies.
        image: (rows, columns), first row at the bottom.
        wide_um, high_um: its size.
    """

    words: str
    image: NDArray[Any]
    wide_um: float
    high_um: float


def label_page(joints: Joints, first: int, title: str) -> str:
    """A page that stands alone: what to do, then each joint with its number, its name and eleven slices.

    Args:
        joints: of this page, in the order of the sheet; the table needs scan, ball, pitch_mm, ball_mm.
        first: number of the first in the sheet, from 1.
        title: of the page.
    """
    parts = [_joint(joints, row, first + row) for row in range(len(joints))]
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><title>{html.escape(title)}</title>'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<style>{STYLE}</style></head>\n<body><h1>{html.escape(title)}</h1>\n{_instructions()}\n"
        + "\n".join(parts)
        + "\n</body></html>\n"
    )


def cuts(joints: Joints, row: int) -> list[Cut]:
    """The eleven slices of a joint: three along x, three along y, five planes of the board."""
    volume, record = joints.volumes[row].astype(np.float32), joints.table.iloc[row]
    ball_um = 1000 * float(record["ball_mm"])
    step = 1000 * np.array(joints.grid.spacing_mm(float(record["pitch_mm"]), float(record["ball_mm"])))
    wide, deep, tall = step * np.array(volume.shape[::-1])

    def index(axis: int, shift_um: float) -> int:
        size = volume.shape[axis]
        return int(np.clip(round((size - 1) / 2 + shift_um / step[2 - axis]), 0, size - 1))

    off, land = SIDE * ball_um, LAND * ball_um
    found = [Cut(f"x–z, y = {_um(at)}", volume[:, index(1, at), :], wide, tall) for at in (-off, 0.0, off)]
    found += [Cut(f"y–z, x = {_um(at)}", volume[:, :, index(2, at)], deep, tall) for at in (-off, 0.0, off)]
    places = (
        (", board land", -land),
        ("", -land / 2),
        (", middle", 0.0),
        ("", land / 2),
        (", package land", land),
    )
    return [
        *found,
        *(Cut(f"x–y{name}, z = {_um(at)}", volume[index(0, at)], wide, deep) for name, at in places),
    ]


def png(image: NDArray[Any]) -> bytes:
    """Densities as a picture in uniform grey, one pixel per voxel, last row on top."""
    low, high = DENSITY_RANGE
    data = BytesIO()
    imsave(
        data, image, cmap=uniform_grey(), vmin=low, vmax=high, origin="lower", format="png",
        metadata={"Software": "jointwise"},
    )  # fmt: skip
    return data.getvalue()


def _joint(joints: Joints, row: int, number: int) -> str:
    record = joints.table.iloc[row]
    name = html.escape(f"{record['scan']} · {record['ball']}")
    facts = f"ball {1000 * float(record['ball_mm']):.0f} µm, pitch {1000 * float(record['pitch_mm']):.0f} µm"
    if "voxel_um" in record and np.isfinite(float(record["voxel_um"])):
        facts += f", voxel of the scan {float(record['voxel_um']):.3g} µm"
    figures = "".join(_figure(cut, number) for cut in cuts(joints, row))
    return (
        f'<section id="joint-{number}"><h2>{number} <span>{name}</span> <small>{facts}</small></h2>'
        f'<div class="slices">{figures}</div></section>'
    )


def _figure(cut: Cut, number: int) -> str:
    """A slice to scale; its bar stands below, so that it hides nothing."""
    high, bar = 100 * cut.high_um / cut.wide_um, scale_bar_um(cut.wide_um)
    words = html.escape(cut.words)
    return (
        f'<figure><svg viewBox="0 0 100 {high:.2f}" role="img" aria-label="Joint {number}, {words}">'
        f'<image width="100" height="{high:.2f}" preserveAspectRatio="none" href="{_data(png(cut.image))}"/></svg>'
        f'<div class="bar" style="width:{100 * bar / cut.wide_um:.2f}%"></div>'
        f"<figcaption><span>{words}</span><span>{bar:.0f}\u00a0µm</span></figcaption></figure>"
    )


def _instructions() -> str:
    kinds = "".join(f"<tr><th>{name}</th><td>{html.escape(words)}</td></tr>" for name, words in WHAT)
    low, high = DENSITY_RANGE
    ramp = _data(png(np.linspace(low, high, 256)[None]))
    ticks = "".join(
        f'<text x="{200 * (value - low) / (high - low):.1f}" y="21" font-size="8" text-anchor="{anchor}" fill="{INK}">'
        f"{words}</text>"
        for value, words, anchor in ((0.0, "air 0", "middle"), (1.0, "solder 1", "middle"))
    )
    return (
        "<p>Look at each joint and fill its row in labels.csv: the rows stand in the order of these pages. Write 1 or "
        "0 for every kind; a joint may have several kinds. Where the slices do not let you tell, write 1 under "
        "cannot_tell and leave the kinds empty; not visible is not the same as absent. Under sure you may write 0 "
        "(unsure), 1 or 2 (sure).</p>"
        f"<table>{kinds}</table>"
        "<p>Every joint is cut at the same places: z goes from the board (below) to the package (above); in x–y x goes "
        "right and y up, counted from the middle of the box. Neighbours reach in at the edges.</p>"
        f'<div class="grey"><svg viewBox="0 0 200 24" role="img" aria-label="Grey scale" style="background:none">'
        f'<image width="200" height="12" preserveAspectRatio="none" href="{ramp}"/>{ticks}</svg></div>'
    )


def _um(value: float) -> str:
    return f"{value:+.0f}\u00a0µm".replace("-", "−").replace("+0\u00a0", "0\u00a0")


def _data(picture: bytes) -> str:
    return f"data:image/png;base64,{base64.b64encode(picture).decode()}"
