"""Which scans a text names, and what they and their folders are called. Guards: lost, doubled or mixed up scans."""

import os
from pathlib import Path

import numpy as np
import pytest
import tifffile

from jointwise.joints.errors import InputError
from jointwise.scoring.done import scan_parts
from jointwise.scoring.scan_files import folder_names, is_list, named, scan_files

ODD = ["a b.mha", "c,d.mha", "e[1].mha", "Bärbel ß.mha", "new\nline.mha", "f,g, h.mha"]


def made(folder: Path, *names: str) -> list[Path]:
    folder.mkdir(exist_ok=True)
    for name in names:
        (folder / name).write_bytes(b"")
    return [folder / name for name in names]


def test_files_behind_one_word(tmp_path: Path) -> None:
    a, b, odd = made(tmp_path, "a.mha", "b.mha", "c,d.mha")
    assert scan_files(str(odd)) == [odd]
    assert scan_files(f"{tmp_path}/?.mha") == [a, b]
    assert scan_files(f"{b}, {a},{b}") == [b, a]
    assert scan_files(f"{b},{tmp_path}/./b.mha") == [b]  # one file written in two ways
    with pytest.raises(InputError, match="check the pattern"):
        scan_files(f"{a},{tmp_path}/z*.mha")
    with pytest.raises(InputError, match="found nothing"):
        scan_files(" , ")


def test_names_with_commas_and_brackets_stand_in_lists(tmp_path: Path) -> None:
    paths = made(tmp_path, *ODD)
    assert scan_files(",".join(map(str, paths))) == paths
    assert sorted(scan_files(f"{tmp_path}/*.mha")) == sorted(paths)
    assert [is_list(str(path)) for path in paths] == [False] * len(ODD)
    assert is_list(f"{tmp_path}/*.mha")
    assert is_list("a.mha,b.mha")
    assert not is_list("no such.mha")


def test_commas_within_a_pattern_that_fits(tmp_path: Path) -> None:
    lot = made(tmp_path / "lot a, b", "1.mha", "2.mha")
    (single,) = made(tmp_path, "c.mha")
    assert scan_files(f"{tmp_path}/lot a, b/*.mha") == lot
    assert scan_files(f"{tmp_path}/lot a, b/*.mha,{single}") == [*lot, single]
    assert scan_files(f"{single},{tmp_path}/c*.mha") == [single]


def test_slices_of_one_scan_are_one_scan(tmp_path: Path) -> None:
    for n in range(3):
        tifffile.imwrite(tmp_path / f"s{n}.tif", np.zeros((8, 8), np.uint8))
        tifffile.imwrite(tmp_path / f"v{n}.tif", np.zeros((3, 8, 8), np.uint8), photometric="minisblack")
    slices, volumes = f"{tmp_path}/s*.tif", f"{tmp_path}/v*.tif"
    assert scan_files(slices) == [Path(slices)]
    assert not is_list(slices)
    assert scan_files(volumes) == [tmp_path / f"v{n}.tif" for n in range(3)]
    assert is_list(volumes)
    assert [part.name for part in scan_parts(Path(slices))] == ["s0.tif", "s1.tif", "s2.tif"]


def test_numbers_count(tmp_path: Path) -> None:
    made(tmp_path, *(f"board_{n}.mha" for n in (10, 9, 1, 100, 2)))
    names = [path.stem for path in scan_files(f"{tmp_path}/*.mha")]
    assert names == [f"board_{n}" for n in (1, 2, 9, 10, 100)]


def test_results_within_the_pattern_are_no_scans(tmp_path: Path) -> None:
    (a,) = made(tmp_path, "a.mha")
    out = tmp_path / "out"
    made(out, "report.html")
    assert scan_files(f"{tmp_path}/*", out) == [a]
    assert scan_files(f"{tmp_path}/**", out) == [tmp_path, a]
    with pytest.raises(InputError, match="only what lies in the results' folder"):
        scan_files(f"{out}/*", out)


def test_every_scan_has_a_name_of_its_own(tmp_path: Path) -> None:
    a, b = tmp_path / "a.mha", tmp_path / "b.mha"
    files = [a, tmp_path / "x" / "a.mha", b]
    assert list(named(files).values()) == [f"{tmp_path.name}/a", "x/a", "b"]
    deep = [tmp_path / top / "lot" / "a.mha" for top in ("x", "y")]
    assert list(named(deep).values()) == ["x/lot/a.mha", "y/lot/a.mha"]
    kinds = [tmp_path / "a.mha", tmp_path / "a.nrrd"]
    assert list(named(kinds).values()) == [f"{tmp_path.name}/a.mha", f"{tmp_path.name}/a.nrrd"]
    many = [*files, *deep, *kinds[1:]]
    assert len(set(named(many).values())) == len(many)


def test_folders_are_safe_and_unlike() -> None:
    names = [
        "a b",
        "a/b",
        "..",
        "",
        "Ärger",
        "ärger",
        "summary.html",
        "x" * 300,
        "x" * 299,
        "\udcff",
        "a\nb",
        ".hid",
    ]
    folders = folder_names(names, ["summary.html"])
    assert len({folder.casefold() for folder in folders}) == len(names)
    for folder in folders:
        assert 1 <= len(folder) <= 87
        assert not folder.startswith(".")
        assert not set(folder) & set('/\\:*?"<>| \n,[]')
        os.fsencode(folder)
    assert folders[4].startswith("Ärger")
    assert folder_names(["board_1", "board 2"]) == ["board_1", "board_2"]
    assert folders == folder_names(names, ["summary.html"])
