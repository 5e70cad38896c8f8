"""Any bytes whatever: our own error with cause and remedy, or a photo."""

from __future__ import annotations

import pytest
from bench import mutate
from hypothesis import given, settings
from hypothesis import strategies as st
from photo.pictures import camera_jpeg, picture

from hairtone.errors import PhotoError
from hairtone.photo.encodings import read_profile
from hairtone.photo.reader import read_photo_bytes
from hairtone.photo.types import Photo

STARTS = [
    b"", b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*", b"RIFF\x20\0\0\0WEBPVP8 ",
    b"\0\0\0\x18ftypheic", b"\0\0\0\x18ftypcrx ", b"FUJIFILMCCD-RAW", b"II*\0\x10\0\0\0CR\2\0",
]  # fmt: skip
JPEG = camera_jpeg(picture(320, 256))


def read_or_refuse(data: bytes) -> PhotoError | Photo:
    """A photo, or an error that says what, where and what to do; anything else is raised."""
    try:
        return read_photo_bytes(data, name="any.jpg")
    except PhotoError as error:
        return error


def is_whole(answer: PhotoError | Photo) -> bool:
    if isinstance(answer, Photo):
        return answer.pixels.ndim == 3
    return answer.where == "any.jpg" and bool(answer.says and answer.remedy)


@given(st.sampled_from(STARTS), st.binary(max_size=600))
@settings(max_examples=300, deadline=None)
def test_any_bytes_are_refused_with_cause_and_remedy(start, data):
    answer = read_or_refuse(start + data)

    assert isinstance(answer, PhotoError)
    assert is_whole(answer)


@given(st.integers(0, len(JPEG) - 1), st.binary(min_size=1, max_size=40))
@settings(max_examples=150, deadline=None)
def test_a_jpeg_with_other_bytes_in_it_is_read_or_refused(at, patch):
    assert is_whole(read_or_refuse(JPEG[:at] + patch + JPEG[at + len(patch) :]))


@given(st.binary(max_size=700))
@settings(max_examples=200, deadline=None)
def test_any_profile_is_read_or_refused(data):
    header = len(data).to_bytes(4, "big") + b"\0" * 8 + b"mntrRGB XYZ " + b"\0" * 12 + b"acsp"
    with pytest.raises(PhotoError):
        read_profile((header + data)[: len(data)], levels=256)


def test_a_few_hundred_damaged_files_of_every_kind():
    """The command's own files, other seed; thousands more are its full run's."""
    rows = list(mutate.outcomes(range(360), seed=7))

    assert not [row for row in rows if row[2].startswith("ESCAPE")]
    assert {kind for _, kind, _, _ in rows} == set(mutate.sound_files())
    assert max(seconds for *_, seconds in rows) < mutate.SLOW_S


def test_damage_to_files_with_checksums_is_never_unseen():
    """PNG carries a checksum for every chunk, deflated TIFF for every piece of the picture."""
    rows = list(mutate.outcomes(range(600), seed=11))

    unseen = {kind for _, kind, said, _ in rows if said.endswith("unseen")}

    assert not unseen & {"png", "png 16"}
