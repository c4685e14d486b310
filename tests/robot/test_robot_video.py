"""The one door for films, cameras and streams: what is not a film, playlists, rotation, what is missing."""

from __future__ import annotations

import builtins
import os
import struct
import subprocess
import sys

import numpy as np
import pytest
from robot_stand_ins import number_of, numbered, write_film

from robotlab.errors import InputError, PictureError
from robotlab.image import open_video
from robotlab.image import video as module

RED_CORNER = np.full((48, 64, 3), 40, np.uint8)
RED_CORNER[:24, :32] = (220, 0, 0)


def rotated(path, quarter_turns: int):
    """Note a rotation in the head of an MP4's track (ISO/IEC 14496-12, 8.3.2: matrix {a,b,u,c,d,v,x,y,w}, 16.16)."""
    content = path.read_bytes()
    at = content.index(b"tkhd") + 4 + 40  # version 0: 40 bytes of version, flags, times, layer and volume come first
    a, b = ((1, 0), (0, 1), (-1, 0), (0, -1))[quarter_turns]
    one = 1 << 16
    matrix = struct.pack(">9i", a * one, b * one, 0, -b * one, a * one, 0, 0, 0, 1 << 30)
    assert struct.unpack(">9i", content[at : at + 36])[0] == one
    path.write_bytes(content[:at] + matrix + content[at + 36 :])
    return path


@pytest.mark.parametrize("quarter_turns", range(4))
def test_the_noted_rotation_is_followed(tmp_path, quarter_turns):
    path = rotated(write_film(tmp_path / "phone.mp4", [RED_CORNER] * 3, code="mp4v"), quarter_turns)
    with open_video(path) as film:
        picture = film.read()
    # The matrix turns clockwise as it is seen, y being down.
    wanted = np.rot90(RED_CORNER, -quarter_turns)
    assert picture.shape == wanted.shape and film.size == wanted.shape[1::-1]
    assert np.abs(picture.astype(int) - wanted).mean() < 12


@pytest.mark.parametrize(
    ("name", "code"), [("a.avi", "MJPG"), ("a.mp4", "mp4v"), ("a.mkv", "MJPG"), ("a.webm", "VP80")]
)
def test_every_picture_comes_in_order_with_its_time(tmp_path, name, code):
    path = write_film(tmp_path / name, [numbered(20 * n) for n in range(8)], rate_hz=12.5, code=code)
    with open_video(path) as film:
        assert film.size == (64, 48) and not film.live
        assert film.rate_hz == pytest.approx(12.5) and film.frames == 8
        numbers, times = [], []
        while (picture := film.read()) is not None:
            assert picture.dtype == np.uint8 and picture.flags.c_contiguous
            numbers.append(number_of(picture))
            times.append(film.time_s)
        assert film.read() is None
    assert numbers == pytest.approx([20 * n for n in range(8)], abs=4)
    assert times == pytest.approx([0.08 * n for n in range(8)], abs=0.002)


def test_skipped_pictures_are_passed_over(tmp_path):
    path = write_film(tmp_path / "a.avi", [numbered(20 * n) for n in range(8)])
    with open_video(path) as film:
        assert [film.skip() for _ in range(3)] == [True] * 3
        assert number_of(film.read()) == pytest.approx(60, abs=3)
        assert [film.skip() for _ in range(5)] == [True] * 4 + [False]


PLAYLIST = b"#EXTM3U\n#EXT-X-TARGETDURATION:9\n#EXTINF:9,\nsecret.avi\n#EXT-X-ENDLIST\n"


@pytest.mark.parametrize(
    ("content", "name"),
    [
        (b"", "empty.mp4"),
        (b"not a film at all" * 40, "text.mp4"),
        (PLAYLIST, "list.m3u8"),
        (PLAYLIST, "list.mp4"),
        (b"ffconcat version 1.0\nfile secret.avi\n", "list.avi"),
        (b"v=0\r\nc=IN IP4 127.0.0.1\r\nm=video 5004 RTP/AVP 96\r\n", "session.sdp"),
    ],
)
def test_what_is_no_film_is_refused_before_it_is_opened(tmp_path, monkeypatch, content, name):
    write_film(tmp_path / "secret.avi", [numbered(9)] * 3)
    (tmp_path / name).write_bytes(content)
    monkeypatch.setattr("cv2.VideoCapture", lambda *_: pytest.fail("opened"))
    with pytest.raises(PictureError, match="a film must be an MP4"):
        open_video(tmp_path / name)


def test_a_playlist_behind_the_head_of_a_film_opens_nothing_else(tmp_path):
    """The head passes the door; FFmpeg must not read another file for it."""
    write_film(tmp_path / "secret.avi", [numbered(9)] * 3)
    for head in (b"\0\0\0\x08free", b"RIFF\0\0\0\0AVI "):
        (tmp_path / "trap.mp4").write_bytes(head + b"\n" + PLAYLIST)
        with pytest.raises(PictureError, match=r"does not; it is damaged|gives none"):
            open_video(tmp_path / "trap.mp4")


def test_films_cut_short_or_changed_give_one_clear_error_or_fewer_pictures(tmp_path):
    whole = write_film(tmp_path / "a.mp4", [numbered(20 * n) for n in range(8)], code="mp4v").read_bytes()
    rng = np.random.default_rng(5)
    for trial in range(60):
        changed = bytearray(whole)
        if trial % 3:
            for at in rng.integers(0, len(whole), 1 + trial):
                changed[at] = rng.integers(0, 256)
        else:
            changed = changed[: rng.integers(1, len(whole))]
        (tmp_path / "b.mp4").write_bytes(changed)
        try:
            with open_video(tmp_path / "b.mp4") as film:
                for _ in range(20):
                    picture = film.read()
                    if picture is None:
                        break
                    assert picture.ndim == 3 and picture.dtype == np.uint8
        except PictureError as error:
            assert "\n" not in str(error)


def test_a_pipe_a_folder_and_a_missing_file_are_no_films(tmp_path):
    os.mkfifo(tmp_path / "pipe.mp4")
    for name, words in (("pipe.mp4", "plain file"), (".", "readable file|plain file"), ("no.mp4", "must exist")):
        with pytest.raises(PictureError, match=words):
            open_video(tmp_path / name)


def test_true_is_no_film_and_no_open_file():
    # As a number it would be that of an open file, the standard output, which was read and closed.
    with pytest.raises(InputError, match="a camera's number, got True"):
        open_video(True)


def test_names_that_read_like_addresses_stay_names(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("concat:a|b", "file:a.avi", "pipe:0", "subfile,,start,0,,:a.avi", "data:,x", "a\0b", "12345"):
        with pytest.raises(PictureError, match="a film must"):
            open_video(name)
    write_film(tmp_path / "img_%03d.avi", [numbered(9)] * 3)
    assert open_video("img_%03d.avi").size == (64, 48)


def test_a_missing_camera_names_those_that_are_there():
    for source in ("/dev/video987", 987, "987"):
        with pytest.raises(InputError, match=r"/dev/video987 is not \(cameras: .*check its cable"):
            open_video(source)
    with pytest.raises(PictureError, match="camera /dev/null must open as .* it does not; check the cable"):
        open_video("/dev/null")
    with pytest.raises(InputError, match="from 0 to 999, got -1"):
        open_video(-1)


def test_a_stream_that_is_not_there_is_said():
    with pytest.raises(PictureError, match="check the address, the network"):
        open_video("http://127.0.0.1:9/")


def test_without_opencv_the_install_command_is_said(monkeypatch):
    plain = builtins.__import__

    def without(name, *rest):
        if name == "cv2":
            raise ImportError(name)
        return plain(name, *rest)

    monkeypatch.setattr(builtins, "__import__", without)
    with pytest.raises(InputError, match=r"opencv-python-headless, it is not installed; pip install"):
        open_video("a.mp4")


def test_opening_what_is_no_film_writes_nothing_to_the_terminal(tmp_path):
    (tmp_path / "cut.mp4").write_bytes(b"\0\0\0\x20ftypisom" + bytes(200))
    code = (
        "import sys\nfrom robotlab.image import open_video\n"
        "try:\n    open_video(sys.argv[1])\nexcept ValueError as error:\n    print(error)"
    )
    ran = subprocess.run([sys.executable, "-c", code, str(tmp_path / "cut.mp4")], capture_output=True, text=True)
    assert ran.stderr == "" and "it is damaged or cut short" in ran.stdout


class Driver:
    """Stands for cv2.VideoCapture where only a driver's answers matter."""

    def __init__(self, kind: str, exposure: float) -> None:
        self._kind, self._exposure = kind, exposure

    def getBackendName(self):
        return self._kind

    def get(self, key):
        import cv2

        return {cv2.CAP_PROP_EXPOSURE: self._exposure, cv2.CAP_PROP_FPS: 0.0}.get(key, 0.0)

    def set(self, *_):
        return True

    def grab(self):
        return True

    def retrieve(self):
        return True, RED_CORNER

    def release(self):
        pass


@pytest.mark.parametrize(
    ("kind", "value", "seconds"),
    [
        # V4L2_CID_EXPOSURE_ABSOLUTE, Linux kernel documentation, "Camera Control Reference": units of 100 us.
        ("V4L2", 157, 0.0157),
        ("V4L2", 0, None),
        # IAMCameraControl, CameraControl_Exposure: log base 2 seconds (from memory).
        ("DSHOW", -6, 1 / 64),
        ("FFMPEG", 3, None),
        ("V4L2", float("nan"), None),
    ],
)
def test_exposure_is_told_where_the_unit_is_known(kind, value, seconds):
    video = module.Video(Driver(kind, value), "camera 0", live=True)
    assert video.exposure_s() == pytest.approx(seconds) if seconds else video.exposure_s() is None
    assert video.rate_hz is None and video.frames is None
