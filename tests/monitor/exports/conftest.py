"""Captures that several tests of exports read."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.support.exports import craft


@pytest.fixture(scope="module")
def clean(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return craft(tmp_path_factory.mktemp("exports") / "clean.bits", "--lead-bits", "13")


@pytest.fixture(scope="module")
def damaged(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return craft(
        tmp_path_factory.mktemp("exports") / "damaged.flagged",
        "--fault", "vendor.value@5", "--fault", "hdlc.fcs@6", "--fault", "ethernet.fcs@7", "--fault", "sync.hfn@9",
    )  # fmt: skip
