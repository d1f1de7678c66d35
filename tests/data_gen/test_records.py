"""A record is everything random, drawn from (seed, number) alone, and survives JSON bit for bit.

Guards: numpy numbers that JSON rounds, a draw that looks at the class before the nuisances, settings
that make no sense passing unnoticed.
"""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
import yaml

from jointwise.data_gen.drawing import records
from jointwise.data_gen.drawing.record_json import from_json, to_json
from jointwise.data_gen.drawing.scan import draw_scan
from jointwise.data_gen.settings import (
    DefectSettings,
    FamilySettings,
    GeneratorSettings,
    ProcessSettings,
    ScanSettings,
)
from jointwise.data_gen.settings.scanner import APODISATIONS, MOUNTS
from jointwise.data_gen.xray.reconstruct import WINDOWS
from jointwise.joints.errors import InputError
from jointwise.joints.lattice import rotation

SETTINGS = GeneratorSettings()


def test_same_numbers_same_record_and_other_numbers_another():
    assert draw_scan(SETTINGS, 3, 5) == draw_scan(SETTINGS, 3, 5)
    assert draw_scan(SETTINGS, 3, 5).board != draw_scan(SETTINGS, 3, 6).board
    assert draw_scan(SETTINGS, 4, 5).board != draw_scan(SETTINGS, 3, 5).board


@pytest.mark.parametrize("number", range(5))
def test_json_round_trip_is_exact(number):
    record = draw_scan(SETTINGS, 1, number)
    text = to_json(record)
    assert from_json(text) == record
    assert to_json(from_json(text)) == text
    board = from_json(to_json(record.board), records.BoardRecord)
    assert board == record.board


def test_records_older_than_a_field_with_a_default_are_read():
    record = draw_scan(SETTINGS, 1, 0)
    data = json.loads(to_json(record))
    del data["scanner"]["glare_fraction"]
    without = dataclasses.replace(record, scanner=dataclasses.replace(record.scanner, glare_fraction=0.0))
    assert from_json(json.dumps(data)) == without


def test_a_damaged_record_is_refused_in_one_sentence():
    data = json.loads(to_json(draw_scan(SETTINGS, 1, 0)))
    del data["board"]["pitch_mm"]
    with pytest.raises(InputError, match="BoardRecord.*pitch_mm"):
        from_json(json.dumps(data))
    with pytest.raises(InputError, match="JSON"):
        from_json("{")
    data = json.loads(to_json(draw_scan(SETTINGS, 1, 0)))
    data["joints"][0]["offset"] = [0.0]
    with pytest.raises(InputError, match="offset"):
        from_json(json.dumps(data))


def test_fault_rates_leave_every_nuisance_untouched():
    """Nuisances are drawn first: with other fault rates board, scanner, metal and voids are the same."""
    quiet = dataclasses.replace(
        SETTINGS, defects=DefectSettings(head_in_pillow=0, non_wet=0, bridging=0, missing=0)
    )
    one, other = draw_scan(SETTINGS, 2, 0), draw_scan(quiet, 2, 0)
    assert one.scanner == other.scanner
    assert one.board == other.board
    for a, b in zip(one.joints, other.joints, strict=True):
        assert (a.solder_mm3, a.offset, a.board_wetted, a.found_voxels) == (
            b.solder_mm3, b.offset, b.board_wetted, b.found_voxels
        )  # fmt: skip
        if a.site == "joint":
            assert a.voids == b.voids
    assert other.necks == ()
    assert {j.recipe for j in other.joints} <= {"sound", "waist", "partial_wetting"}


def test_rates_are_what_the_settings_say():
    scans = [draw_scan(SETTINGS, 7, n) for n in range(60)]
    joints = [j for s in scans for j in s.joints]
    bridged = {(s.scan, site) for s in scans for n in s.necks for site in (n.first, n.second)}
    share = {
        name: sum(j.recipe == name for j in joints) / len(joints) for name in ("head_in_pillow", "non_wet")
    }
    # 5 standard deviations of a binomial share.
    spread = 5 * math.sqrt(0.2 * 0.8 / len(joints))
    assert share["head_in_pillow"] == pytest.approx(0.2, abs=spread)
    assert share["non_wet"] == pytest.approx(0.2, abs=spread)
    # Some sites are reached for twice, edge sites a little less often: 0.19 is expected.
    assert len(bridged) / len(joints) == pytest.approx(0.185, abs=0.04)


def test_metal_does_not_depend_on_the_fault():
    scans = [draw_scan(SETTINGS, 8, n) for n in range(60)]
    ratio = {True: [], False: []}
    for scan in scans:
        for joint in scan.joints:
            if joint.site == "joint":
                faulty = joint.recipe in ("head_in_pillow", "non_wet")
                ratio[faulty].append(joint.solder_mm3 / scan.board.nominal_mm3)
    difference = np.mean(ratio[True]) - np.mean(ratio[False])
    error = math.sqrt(sum(np.var(r) / len(r) for r in ratio.values()))
    assert abs(difference) < 4 * error


ANY_MOUNT = dataclasses.replace(
    SETTINGS,
    scan=ScanSettings(mounts=MOUNTS, voxels_per_ball=(6.0, 60.0), tilt_deg=10.0, in_plane_deg=45.0),
)


@pytest.mark.parametrize("number", range(12))
def test_the_detector_sees_every_joint_in_every_view(number):
    """Every corner of every joint's box falls on the detector through a full turn, whatever the mount and the turns."""
    record = draw_scan(ANY_MOUNT, 9, number)
    board, scanner = record.board, record.scanner
    half = np.array([(n - 1) / 2 + 0.75 for n in (board.cols, board.rows)]) * board.pitch_mm
    corners = np.array([(x * half[0], y * half[1], z * 0.65 * board.ball_mm)
                        for x in (-1, 1) for y in (-1, 1) for z in (-1, 1)])  # fmt: skip
    corners = corners @ rotation(scanner.tilt_x_deg, scanner.tilt_y_deg, scanner.in_plane_deg).T
    # Seen from the turntable: the axis becomes y; rays slant by 90 degrees less ray_deg.
    lean, rise = math.radians(scanner.axis_tilt_deg), math.radians(90.0 - scanner.ray_deg)
    across, along, up = corners[:, 0], corners[:, 1], corners[:, 2]
    along, up = math.cos(lean) * along + math.sin(lean) * up, math.cos(lean) * up - math.sin(lean) * along
    for degrees in range(0, 360, 5):
        angle = math.radians(degrees)
        level = across * math.sin(angle) + up * math.cos(angle)
        depth = scanner.sod_mm - math.cos(rise) * level - math.sin(rise) * along
        scale = scanner.sdd_mm / depth / scanner.pixel_mm
        u = (across * math.cos(angle) - up * math.sin(angle)) * scale
        v = (math.cos(rise) * along - math.sin(rise) * level) * scale
        assert depth.min() > 0
        assert np.abs(u).max() < scanner.detector_columns / 2
        assert np.abs(v).max() < scanner.detector_rows / 2
    # Not much larger than needed either.
    assert np.abs(u).max() > 0.1 * scanner.detector_columns
    assert scanner.magnification * scanner.voxel_mm == pytest.approx(scanner.pixel_mm)
    assert scanner.magnification >= 1.19


def test_scanners_fill_their_ranges():
    scanners = [draw_scan(SETTINGS, 10, n).scanner for n in range(200)]
    photons = np.log([s.photons_per_pixel for s in scanners])
    low, high = np.log(SETTINGS.scan.photons_per_pixel)
    # Log-uniform: the median of 200 lies within four standard errors of the middle.
    assert abs(np.median(photons) - (low + high) / 2) < 4 * 0.5 * (high - low) / math.sqrt(200)
    assert {s.mount for s in scanners} == {"upright", "tilted"}
    assert {s.apodisation for s in scanners} == set(APODISATIONS) == set(WINDOWS)
    assert 0.15 < np.mean([s.linearised for s in scanners]) < 0.45
    assert all(
        s.axis_tilt_deg == 0.0 if s.mount == "upright" else 10 <= s.axis_tilt_deg <= 45 for s in scanners
    )
    assert all(s.read_noise <= 0.03 * s.photons_per_pixel + 1e-9 for s in scanners)
    few = ScanSettings(photons_per_pixel=(15.0, 1500.0), voxels_per_ball=(10.0, 60.0))
    assert draw_scan(dataclasses.replace(SETTINGS, scan=few), 1, 0).scanner.photons_per_pixel <= 1500.0


def test_height_notch_and_dry_edge_tell_nothing_of_the_fault():
    """Lift, notch and dry edge have the same law for sound joints, pillows and opens; so has a second alloy."""
    scans = [draw_scan(SETTINGS, 8, n) for n in range(60)]
    joints = [j for s in scans for j in s.joints if j.site == "joint"]
    kinds = {
        "pillow": [j for j in joints if any(g.place == "interface" for g in j.gaps)],
        "open": [j for j in joints if any(g.form == "cap" for g in j.gaps)],
        "sound": [j for j in joints if all(g.form == "edge" for g in j.gaps)],
    }
    assert sum(map(len, kinds.values())) == len(joints)
    for measure in (
        lambda j: j.lift_mm,
        lambda j: float(j.waist is not None),
        lambda j: float(any(g.form == "edge" for g in j.gaps)),
        lambda j: j.mix.level,
        lambda j: j.waist.depth_um if j.waist else math.nan,
        lambda j: j.waist.level if j.waist else math.nan,
    ):
        values = {k: np.array([measure(j) for j in v]) for k, v in kinds.items()}
        values = {k: v[~np.isnan(v)] for k, v in values.items()}
        for kind in ("pillow", "open"):
            one, other = values[kind], values["sound"]
            error = math.sqrt(one.var() / len(one) + other.var() / len(other))
            assert abs(one.mean() - other.mean()) < 4 * error
    assert all(
        g.level == j.waist.level
        for j in kinds["pillow"]
        for g in j.gaps
        if j.waist and g.place == "interface"
    )


def test_some_boards_stand_square_to_the_axis_and_some_detectors_glare():
    scan = ScanSettings(in_plane_deg=45.0, square=0.4, square_deg=1.0, glare_fraction=(0.02, 0.1))
    drawn = [draw_scan(dataclasses.replace(SETTINGS, scan=scan), 10, n).scanner for n in range(200)]
    # 0.4 of the scans and 1/45 of the others; four standard errors of 200 draws.
    expected = 0.4 + 0.6 / 45
    share = np.mean([abs(s.in_plane_deg) <= 1.0 for s in drawn])
    assert abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / 200)
    assert max(abs(s.in_plane_deg) for s in drawn) > 35.0
    glare = [s.glare_fraction for s in drawn]
    assert 0.02 <= min(glare) < 0.03 < 0.09 < max(glare) <= 0.1
    # A mount that is never turned far is not turned farther for it.
    narrow = dataclasses.replace(SETTINGS, scan=ScanSettings(in_plane_deg=0.5, square=1.0, square_deg=1.0))
    assert all(abs(draw_scan(narrow, 10, n).scanner.in_plane_deg) <= 0.5 for n in range(20))


def test_glare_and_square_boards_leave_the_rest_of_what_a_seed_draws_as_it_was():
    plain = ScanSettings(square=0.0, glare_fraction=(0.0, 0.0))
    one, other = (draw_scan(dataclasses.replace(SETTINGS, scan=s), 10, 3) for s in (SETTINGS.scan, plain))
    # What this seed drew before there were any.
    assert other.scanner.noise_seed == 6896805510425263405
    assert other.scanner.in_plane_deg == -13.649418799770348
    assert other.joints[5].solder_mm3 == 0.07458078515813174
    assert other.scanner.glare_fraction == 0.0 < one.scanner.glare_fraction
    assert (one.board, one.joints, one.necks) == (other.board, other.joints, other.necks)
    assert one.scanner.noise_seed == other.scanner.noise_seed


def test_spreads_of_no_strength_change_nothing_else():
    """Without lift, second alloy and oblong lands the rest of the record is the same."""
    process = ProcessSettings(lift=0.0, mixed=0.0, oblong=0.0)
    for number in range(12):
        one, other = (
            draw_scan(s, 2, number) for s in (SETTINGS, dataclasses.replace(SETTINGS, process=process))
        )
        assert other.board.paste_alloy is None
        assert other.board.oblong == (1.0, 0.0)
        same = dataclasses.replace(one.board, paste_alloy=None, oblong=(1.0, 0.0))
        assert same == other.board
        # Only how wide gaps and voids are follows the height.
        still, flat = (
            [
                dataclasses.replace(
                    j, lift_mm=0.0, gaps=tuple(g.place for g in j.gaps), voids=tuple(v.place for v in j.voids)
                )
                for j in s.joints
            ]
            for s in (one, other)
        )
        assert still == flat
        assert one.necks == other.necks
    boards = [
        draw_scan(dataclasses.replace(SETTINGS, process=ProcessSettings(mixed=1.0, oblong=1.0)), 2, n).board
        for n in range(8)
    ]
    assert all(b.paste_alloy not in (None, b.alloy) and 1.0 < b.oblong[0] <= 1.3 for b in boards)


@pytest.mark.parametrize(
    ("make", "word"),
    [
        (lambda: FamilySettings(pitch_mm=0.5), "ball_range_mm"),
        (lambda: FamilySettings(rows=(0, 3)), "rows"),
        (lambda: FamilySettings(ball_range_mm=(0.5, 0.4)), "ball_range_mm"),
        (lambda: FamilySettings(board_land_range_mm=(0.1, 0.2)), "lands"),
        (lambda: ProcessSettings(alloys=("tin",)), "alloys"),
        (lambda: ProcessSettings(height=(0.5, 1.0)), "height"),
        (lambda: ProcessSettings(lift=0.06), "lift"),
        (lambda: ProcessSettings(mixed=2.0), "mixed"),
        (lambda: ProcessSettings(profile="round"), "profile"),
        (lambda: DefectSettings(via_in_pad=1.2), "via_in_pad"),
        (lambda: DefectSettings(non_wet=0.6, head_in_pillow=0.6), "head_in_pillow"),
        (lambda: DefectSettings(voids_free=0.9), "voids"),
        (lambda: DefectSettings(pillow_gap_um=(0.1, 5)), "pillow_gap_um"),
        (lambda: ScanSettings(kvp=(161, 169)), "kvp"),
        (lambda: ScanSettings(storage=("png",)), "storage"),
        (lambda: ScanSettings(views=(10, 20)), "views"),
        (lambda: ScanSettings(views=("few", "many")), "views"),
        (lambda: ScanSettings(mounts=("upside_down",)), "mounts"),
        (lambda: ScanSettings(apodisations=()), "apodisations"),
        (lambda: ScanSettings(ray_deg=(20.0, 90.0)), "ray_deg"),
        (lambda: ScanSettings(in_plane_deg=60.0), "in_plane_deg"),
        (lambda: ScanSettings(photons_per_pixel=(1.0, 100.0)), "photons_per_pixel"),
        (lambda: ScanSettings(linearised=2.0), "linearised"),
        (lambda: ScanSettings(square=1.5), "square"),
        (lambda: ScanSettings(square_deg=50.0), "square_deg"),
        (lambda: ScanSettings(glare_fraction=(0.0, 0.4)), "glare_fraction"),
        (lambda: ScanSettings(glare_fraction=(0.1, 0.0)), "glare_fraction"),
        (lambda: DefectSettings(bare="half"), "bare"),
        (lambda: DefectSettings(pillow_slope=1.5), "pillow_slope"),
        (lambda: DefectSettings(fullest=0.49), "fullest"),
        (lambda: DefectSettings(fullest=1.01), "fullest"),
        (lambda: DefectSettings(waist_per_height=0.41), "waist_per_height"),
        (lambda: DefectSettings(waist_per_height=-0.01), "waist_per_height"),
        (lambda: DefectSettings(waist_split=(1.05, 0.7)), "waist_split"),
        (lambda: DefectSettings(waist_split=(0.49, 1.0)), "waist_split"),
        (lambda: DefectSettings(waist_split=(0.7, 1.21)), "waist_split"),
    ],
)
def test_settings_that_make_no_sense_are_refused_in_one_sentence(make, word):
    with pytest.raises(InputError) as caught:
        make()
    assert word in str(caught.value)
    assert "expected" in str(caught.value)
    assert "\n" not in str(caught.value)


def test_lists_as_a_configuration_gives_them_become_tuples():
    assert ScanSettings(views=[100, 200], storage=["uint8"]).views == (100, 200)
    assert ScanSettings(storage=["uint8"]).storage == ("uint8",)


def composed(file: Path) -> dict[str, object]:
    """What a file says, over what the files say that its `defaults` name before `_self_`."""
    values = yaml.safe_load(file.read_text())
    *below, own = values.pop("defaults", ["_self_"])
    assert own == "_self_", file
    return {k: v for name in below for k, v in composed(file.with_name(f"{name}.yaml")).items()} | values


@pytest.mark.parametrize(
    ("group", "kind"), [("defects", DefectSettings), ("process", ProcessSettings), ("scanner", ScanSettings)]
)
def test_every_configuration_file_makes_settings(group, kind):
    files = sorted((Path(__file__).parents[2] / "configs" / group).glob("*.yaml"))
    assert files
    for file in files:
        values = composed(file)
        assert set(values) == {f.name for f in dataclasses.fields(kind)}, file
        kind(**values)
