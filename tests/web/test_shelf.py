"""Builds under one folder: every one has an address of its own, whatever its folder is called."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

import keyturn
from keyturn.web.missing import NoSuchCar
from keyturn.web.shelf import NAME, Shelf

EXAMPLE = Path(keyturn.__file__).parent / "examples" / "pickup-screw"


def shelf(root: Path, *names: str) -> Shelf:
    for name in names:
        shutil.copytree(EXAMPLE, root / name)
    return Shelf(root)


@pytest.mark.parametrize(
    "names",
    [
        ("Жигули", "Волга", "车"),
        ("my car", "my-car", "My_Car", "my car!"),
        ("a" * 60, "a" * 61),
    ],
)
def test_folders_that_look_alike_in_an_address_are_all_there(tmp_path: Path, names) -> None:
    found = shelf(tmp_path, *names)
    assert {found.car(name).folder.name for name in found.names()} == set(names)
    assert all(NAME.fullmatch(name) for name in found.names())


def test_an_address_never_passes_to_another_car(tmp_path: Path) -> None:
    found = shelf(tmp_path, "Жигули", "Волга")
    before = {name: found.car(name).folder.name for name in found.names()}
    shutil.copytree(EXAMPLE, tmp_path / "Ана")
    for name, folder in before.items():
        assert found.car(name).folder.name == folder
    shutil.rmtree(tmp_path / "Волга")
    (gone,) = [name for name, folder in before.items() if folder == "Волга"]
    with pytest.raises(NoSuchCar):
        found.car(gone)


def test_a_plain_name_is_its_own_address(tmp_path: Path) -> None:
    found = shelf(tmp_path, "red-pickup", "Käfer")
    assert found.names() == ["kafer", "red-pickup"]
