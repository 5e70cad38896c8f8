"""Pixels of photo after photo in one buffer, and never of two in the same."""

from __future__ import annotations

import io

import numpy as np
import pytest
from PIL import Image

from hairtone.photo import jpeg as buffers
from hairtone.photo.jpeg import pixel_buffer
from hairtone.photo.reader import read_photo


@pytest.fixture(autouse=True)
def _no_spare():
    buffers._spare.clear()


@pytest.fixture
def files(tmp_path):
    paths = []
    for number, grey in enumerate((60, 160)):
        file = io.BytesIO()
        Image.new("RGB", (1200, 900), (grey, grey, grey)).save(file, "JPEG")
        paths.append(tmp_path / f"{number}.jpg")
        paths[-1].write_bytes(file.getvalue())
    return paths


def place_of(array):
    return array.ctypes.data


def test_the_buffer_of_a_photo_that_is_gone_is_taken_again(files):
    place = place_of(read_photo(files[0]).pixels)

    assert place_of(read_photo(files[1]).pixels) == place


def test_a_photo_that_lives_keeps_its_pixels(files):
    first = read_photo(files[0])
    second = read_photo(files[1])

    assert np.abs(first.pixels.astype(int) - 60).max() <= 2
    assert np.abs(second.pixels.astype(int) - 160).max() <= 2


def test_a_view_of_a_photo_that_is_gone_keeps_its_pixels(files):
    part = read_photo(files[0]).pixels[10:20, ::2, 1]
    second = read_photo(files[1])

    assert np.abs(part.astype(int) - 60).max() <= 2
    assert not np.shares_memory(part, second.pixels)


def test_a_photo_of_another_size_gets_its_own():
    first = pixel_buffer(4, 6)
    second = pixel_buffer(6, 4)

    assert second.shape == (6, 4, 4)
    assert not np.shares_memory(first, second)


def test_a_very_large_buffer_does_not_wait(monkeypatch):
    monkeypatch.setattr(buffers, "MOST_KEPT", 4 * 10 * 10 - 1)
    pixel_buffer(10, 10)

    assert not buffers._spare
