"""Colours: contrast by WCAG 2.1, also as people with colour vision deficiencies see them."""

from __future__ import annotations

import numpy as np
import pytest

from decoders.events import Plane
from monitor.tui.palette import (
    BACKGROUND,
    BAD_COLOUR,
    GOOD_COLOUR,
    LETTERS,
    NAMES,
    PLANE_COLOURS,
    QUIET,
    RAISED,
    TEXT,
    Rgb,
    plane_background,
)

# Machado, Oliveira and Fernandes 2009, severity 1.0, for linear RGB (from memory).
SIGHT = {
    "trichromat": np.eye(3),
    "protanopia": np.array(
        [[0.152286, 1.052583, -0.204868], [0.114503, 0.786281, 0.099216], [-0.003882, -0.048116, 1.051998]]
    ),
    "deuteranopia": np.array(
        [[0.367322, 0.860646, -0.227968], [0.280085, 0.672501, 0.047413], [-0.011820, 0.042940, 0.968881]]
    ),
    "tritanopia": np.array(
        [[1.255528, -0.076749, -0.178779], [-0.078411, 0.930809, 0.147602], [0.004733, 0.691367, 0.303900]]
    ),
}
PAIRS: dict[str, tuple[Rgb, Rgb]] = {
    "text": (TEXT, BACKGROUND),
    "quiet": (QUIET, BACKGROUND),
    "good": (GOOD_COLOUR, BACKGROUND),
    "bad": (BAD_COLOUR, BACKGROUND),
    "alarm": (BACKGROUND, BAD_COLOUR),
    "chosen": (BACKGROUND, GOOD_COLOUR),
    "cursor": (BACKGROUND, TEXT),
    "bar": (TEXT, RAISED),
    "bar key": (PLANE_COLOURS[Plane.L1], RAISED),
    **{f"{plane} letter": (colour, BACKGROUND) for plane, colour in PLANE_COLOURS.items()},
    **{f"{plane} octet": (colour, plane_background(plane)) for plane, colour in PLANE_COLOURS.items()},
}


def luminance(colour: Rgb, sight: np.ndarray) -> float:
    """Relative luminance, WCAG 2.1, after the colour went through `sight`."""
    s = np.array(colour) / 255
    linear = np.where(s <= 0.03928, s / 12.92, ((s + 0.055) / 1.055) ** 2.4)
    r, g, b = np.clip(sight @ linear, 0, 1)
    return float(0.2126 * r + 0.7152 * g + 0.0722 * b)


@pytest.mark.parametrize("sight", SIGHT)
@pytest.mark.parametrize("pair", PAIRS)
def test_contrast(pair: str, sight: str) -> None:
    """WCAG 2.1 success criterion 1.4.3: (L1 + 0.05) / (L2 + 0.05) of at least 4.5."""
    light, dark = sorted((luminance(colour, SIGHT[sight]) for colour in PAIRS[pair]), reverse=True)
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_luminance_of_black_white_and_grey() -> None:
    """White on black is 21:1; #767676 on white is the well-known 4.54:1."""
    eye = SIGHT["trichromat"]
    assert (luminance((255, 255, 255), eye) + 0.05) / (luminance((0, 0, 0), eye) + 0.05) == pytest.approx(21)
    grey = luminance((0x76, 0x76, 0x76), eye)
    assert 1.05 / (grey + 0.05) == pytest.approx(4.54, abs=0.01)


def test_every_plane_has_its_own_letter_colour_and_name() -> None:
    assert set(LETTERS) == set(NAMES) == set(PLANE_COLOURS) == set(Plane)
    assert len(set(LETTERS.values())) == len(Plane)
    assert len(set(PLANE_COLOURS.values())) == len(Plane)
