"""Clips are decoded again: what was drawn is in them, at its time; footage keeps its sound and its time stamps."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction
from pathlib import Path
from typing import get_args

import av
import numpy as np
import pytest
from av.video.reformatter import Colorspace
from numpy.typing import NDArray

from frametime.cli.film import _show_starts
from frametime.errors import OutputError, ReadError
from frametime.film import film_files
from frametime.film.film_files import StartEstimate, _frames_of, _rows_of, find_start, write_clip, write_over
from frametime.film.picture import Clip, ClipLook, Place, Track
from tests.cli.run_cli import frametime

LOOK = ClipLook(width=320, height=180, window_s=2.0)


def track(times_ms: NDArray[np.float64], start_s: float = 0.0) -> Track:
    ends_s = np.cumsum(times_ms) / 1000.0
    stutters = np.flatnonzero(times_ms > 3.0 * np.median(times_ms))
    return Track(label="", color="#56b4e9", start_s=start_s, ends_s=ends_s, times_ms=times_ms, stutters=stutters)


def one_second() -> Track:
    times_ms = np.full(100, 10.0)
    times_ms[60] = 100.0
    return track(times_ms, start_s=0.2)


def decoded(path: Path, pixels: str) -> list[tuple[Fraction, NDArray[np.uint8]]]:
    with av.open(str(path)) as container:
        frames = list(container.decode(video=0))
    return [(frame.pts * frame.time_base, frame.to_ndarray(format=pixels)) for frame in frames]


def test_a_lossless_clip_gives_back_every_picture_at_its_time(tmp_path: Path) -> None:
    clip, fps = Clip([one_second()], LOOK), Fraction(30000, 1001)
    n_pictures = write_clip(clip, tmp_path / "clip.mov", fps=fps, codec="lossless")
    found = decoded(tmp_path / "clip.mov", "argb")
    assert len(found) == n_pictures == int(clip.end_s * fps) + 1
    for k, (moment, picture) in enumerate(found):
        assert abs(moment - k / fps) < Fraction(1, 1000)
        assert np.array_equal(picture[..., [1, 2, 3, 0]], clip.picture(float(k / fps)))


@pytest.mark.parametrize("name", ["clip.mov", "clip.webm"])
def test_a_clip_keeps_its_opacity(tmp_path: Path, name: str) -> None:
    clip = Clip([one_second()], LOOK)
    write_clip(clip, tmp_path / name, fps=Fraction(25))
    with av.open(str(tmp_path / name)) as container:
        stream = container.streams.video[0]
        if name.endswith("webm"):  # the decoder that is chosen first leaves the opacity out
            codec = av.CodecContext.create("libvpx-vp9", "r")
            packets = list(container.demux(stream))
            frames = [frame for packet in packets for frame in codec.decode(packet)]
        else:
            frames = list(container.decode(stream))
    wanted = clip.picture(20 / 25)
    picture = frames[20].to_ndarray(format="rgba").astype(int)
    assert np.abs(picture[..., 3] - wanted[..., 3]).mean() < 4.0
    assert picture[:5, :, 3].max() <= 2
    seen, drawn = picture[..., :3] * picture[..., 3:], wanted[..., :3].astype(int) * wanted[..., 3:]
    assert np.abs(seen - drawn).mean() / 255.0 < 6.0


@pytest.mark.parametrize("place", get_args(Place))
@pytest.mark.parametrize("size", [(320, 180), (321, 181), (1080, 1918)])
@pytest.mark.parametrize("pixels", ["argb", "yuva444p10le", "yuva420p"])
def test_a_frame_is_the_whole_picture_in_the_pixels_of_the_codec(
    pixels: str, size: tuple[int, int], place: Place
) -> None:
    """Against PyAV's conversion of the whole picture, in one thread.

    Halved colors are compared at even sizes alone, to two levels of 255: PyAV's filter for them depends on the size.
    """
    clip = Clip([one_second()], replace(LOOK, width=size[0], height=size[1], place=place))
    draw = _frames_of(clip, pixels)
    for moment_s in (0.3, 0.5, 0.7, 0.9, 1.1):
        frame = draw(moment_s)
        whole = av.VideoFrame.from_ndarray(clip.picture(moment_s), format="rgba")
        whole = whole.reformat(format=pixels, dst_colorspace=Colorspace.ITU709, threads=1)
        assert (frame.width, frame.height, frame.format.name) == (*size, pixels)
        for number, (found, wanted) in enumerate(zip(_rows_of(frame), _rows_of(whole), strict=True)):
            if pixels == "yuva420p" and number in (1, 2):
                assert size[0] % 2 or np.abs(found.astype(int) - wanted).max() <= 2
            else:
                assert found.any() and np.array_equal(found, wanted), number


@pytest.mark.parametrize("place", get_args(Place))
@pytest.mark.parametrize("size", [(320, 180), (321, 181), (1079, 1917)])
def test_the_panel_lies_on_pairs_of_pixels(size: tuple[int, int], place: Place) -> None:
    box = Clip([one_second()], replace(LOOK, width=size[0], height=size[1], place=place)).box
    assert all(edge % 2 == 0 for edge in box)


def test_the_same_clip_is_the_same_bytes(tmp_path: Path) -> None:
    for name in ("a.mov", "b.mov"):
        write_clip(Clip([one_second()], LOOK), tmp_path / name, fps=Fraction(30), codec="lossless")
    assert (tmp_path / "a.mov").read_bytes() == (tmp_path / "b.mov").read_bytes()


def test_a_folder_of_pictures(tmp_path: Path) -> None:
    from PIL import Image

    clip = Clip([one_second()], LOOK)
    assert write_clip(clip, tmp_path / "clip", fps=Fraction(10)) == 13
    names = sorted(path.name for path in (tmp_path / "clip").iterdir())
    assert (names[0], names[-1], len(names)) == ("000000.png", "000012.png", 13)
    assert np.array_equal(np.asarray(Image.open(tmp_path / "clip" / "000007.png")), clip.picture(0.7))


def test_a_folder_with_anything_else_in_it_is_never_replaced(tmp_path: Path) -> None:
    clip = Clip([one_second()], LOOK)
    write_clip(clip, tmp_path / "clip", fps=Fraction(2))
    with pytest.raises(OutputError, match="the folder exists; --force replaces it"):
        write_clip(clip, tmp_path / "clip", fps=Fraction(2))
    assert write_clip(clip, tmp_path / "clip", fps=Fraction(4), force=True) == 6
    (tmp_path / "clip" / "notes.txt").write_text("mine")
    with pytest.raises(OutputError, match=r"it holds 'notes\.txt', which no film has written"):
        write_clip(clip, tmp_path / "clip", fps=Fraction(2), force=True)
    assert (tmp_path / "clip" / "notes.txt").read_text() == "mine"


def footage(
    path: Path,
    stamps_ms: list[int],
    *,
    flash_at: int = 10**9,
    still: set[int] | None = None,
    height: int = 180,
    turned: int = 0,
    codec: str = "aac",
) -> None:
    """Made footage with a tone; where no pictures stand still, each holds its number in dark and light fields."""
    rng = np.random.default_rng(1)
    with av.open(str(path), "w") as container:
        video = container.add_stream("libx264", rate=50, options={"crf": "12", "g": "10", "preset": "ultrafast"})
        video.width, video.height, video.pix_fmt = height * 16 // 9, height, "yuv420p"
        video.codec_context.time_base = Fraction(1, 1000)
        video.set_display_rotation(turned)
        sound = container.add_stream(codec, rate=48000, layout="mono")
        noise = rng.integers(40, 90, (height, height * 16 // 9, 3), dtype=np.uint8)
        for number, stamp_ms in enumerate(stamps_ms):
            if still is None or number not in still:
                noise = rng.integers(40, 90, (height, height * 16 // 9, 3), dtype=np.uint8)
            picture = noise.copy()
            for bit in range(10 if still is None else 0):
                picture[:20, bit * 32 : bit * 32 + 32] = 230 if number >> bit & 1 else 16
            if stamp_ms >= flash_at and stamp_ms < flash_at + 100:
                picture[20:] = 250
            frame = av.VideoFrame.from_ndarray(picture, format="rgb24").reformat(format="yuv420p")
            frame.pts, frame.time_base = stamp_ms, Fraction(1, 1000)
            container.mux(video.encode(frame))
        container.mux(video.encode(None))
        tone = np.sin(np.arange(48000 * (stamps_ms[-1] + 20) // 1000) / 20.0).astype(np.float32)[None]
        for at in range(0, tone.shape[1] - 1023, 1024):
            block = av.AudioFrame.from_ndarray(
                np.ascontiguousarray(tone[:, at : at + 1024]), format="fltp", layout="mono"
            )
            block.sample_rate, block.pts = 48000, at
            container.mux(sound.encode(block))
        container.mux(sound.encode(None))


def counter_of(picture: NDArray[np.uint8]) -> int:
    return sum(1 << bit for bit in range(10) if picture[5:15, bit * 32 + 8 : bit * 32 + 24].mean() > 120)


STAMPS_MS = [0, 20, 40, 60, 100, 133, 150, 200, 217, 240, *range(260, 1400, 40)]


def test_drawn_into_footage_each_picture_keeps_its_stamp_and_the_sound_is_untouched(tmp_path: Path) -> None:
    footage(tmp_path / "footage.mp4", STAMPS_MS)
    shown = one_second()
    n_pictures = write_over([shown], LOOK, tmp_path / "footage.mp4", tmp_path / "out.mp4")
    found, before = decoded(tmp_path / "out.mp4", "rgb24"), decoded(tmp_path / "footage.mp4", "rgb24")
    assert n_pictures == len(found) == len(STAMPS_MS)
    clip = Clip([shown], LOOK)
    for number, ((moment, picture), (_, under)) in enumerate(zip(found, before, strict=True)):
        assert abs(float(moment) * 1000.0 - STAMPS_MS[number]) < 1.0
        assert counter_of(picture) == number
        wanted = under.copy()
        clip.blended(wanted, STAMPS_MS[number] / 1000.0)
        assert np.abs(picture.astype(int) - wanted).mean() < 5.0, number
    sounds = []
    for name in ("footage.mp4", "out.mp4"):
        with av.open(str(tmp_path / name)) as container:
            sounds.append([(packet.pts, bytes(packet)) for packet in container.demux(audio=0) if packet.size])
    assert sounds[0] == sounds[1] != []


def test_the_clock_of_footage_begins_with_its_first_picture(tmp_path: Path) -> None:
    footage(tmp_path / "late.mkv", [stamp + 400 for stamp in STAMPS_MS[:8]])
    write_over([one_second()], LOOK, tmp_path / "late.mkv", tmp_path / "out.mkv")
    clip, off = Clip([one_second()], LOOK), {0.0: 0.0, 0.4: 0.0}
    before, found = decoded(tmp_path / "late.mkv", "rgb24"), decoded(tmp_path / "out.mkv", "rgb24")
    for (_, picture), (moment, under) in zip(found, before, strict=True):
        for shift in off:
            wanted = under.copy()
            clip.blended(wanted, float(moment - before[0][0]) + shift)
            off[shift] += float(np.abs(picture.astype(int) - wanted).mean())
    assert off[0.0] < off[0.4]


def test_footage_of_a_camera_held_upright_is_drawn_upright(tmp_path: Path) -> None:
    """A display matrix that turns by -90 degrees turns with the clock (`av_display_rotation_get` of FFmpeg)."""
    footage(tmp_path / "footage.mp4", STAMPS_MS[:5], turned=-90)
    write_over([one_second()], LOOK, tmp_path / "footage.mp4", tmp_path / "out.mp4")
    clip = Clip([one_second()], replace(LOOK, width=180, height=320))
    before, found = decoded(tmp_path / "footage.mp4", "rgb24"), decoded(tmp_path / "out.mp4", "rgb24")
    assert len(found) == 5
    for (moment, picture), (_, under) in zip(found, before, strict=True):
        wanted = np.ascontiguousarray(under.transpose(1, 0, 2)[:, ::-1])  # the upper edge comes to lie at the right
        clip.blended(wanted, float(moment))
        assert picture.shape == (320, 180, 3) and np.abs(picture.astype(int) - wanted).mean() < 5.0


# By ITU-T H.273: 1 is ITU-R BT.709, 5 and 6 are ITU-R BT.601.
@pytest.mark.parametrize(
    ("matrix", "curve", "shares"), [(1, 1, (0.2126, 0.7152, 0.0722)), (5, 6, (0.299, 0.587, 0.114))]
)
def test_footage_keeps_its_colors_and_says_which_they_are(
    matrix: int, curve: int, shares: tuple[float, float, float], tmp_path: Path
) -> None:
    color = (200, 40, 40)
    with av.open(str(tmp_path / "footage.mkv"), "w") as container:
        video = container.add_stream("libx264", rate=50, options={"crf": "4"})
        video.width, video.height, video.pix_fmt = 321, 181, "yuv444p"  # odd, as a window that was recorded may be
        coding = video.codec_context
        coding.colorspace, coding.color_primaries, coding.color_trc, coding.color_range = matrix, curve, curve, 1
        for _ in range(3):
            frame = av.VideoFrame.from_ndarray(np.full((181, 321, 3), color, dtype=np.uint8), format="rgb24")
            container.mux(video.encode(frame.reformat(format="yuv444p", dst_colorspace=matrix)))
        container.mux(video.encode(None))
    write_over([one_second()], LOOK, tmp_path / "footage.mkv", tmp_path / "out.mp4")
    with av.open(str(tmp_path / "out.mp4")) as container:
        frame = next(container.decode(video=0))
    assert (frame.width, frame.height) == (320, 180)
    assert (frame.colorspace, frame.color_primaries, frame.color_trc, frame.color_range) == (matrix, curve, curve, 1)
    luma = 16.0 + 219.0 / 255.0 * sum(share * value for share, value in zip(shares, color, strict=True))
    assert abs(_rows_of(frame)[0][20:80, 20:300].mean() - luma) < 1.5


def test_a_clip_says_by_which_rule_its_colors_are_made(tmp_path: Path) -> None:
    """Luma of a trace by ITU-R BT.709, ten bits of ProRes."""
    clip = Clip([replace(one_second(), color="#0000ff")], replace(LOOK, shown=("trace",)))
    write_clip(clip, tmp_path / "clip.mov", fps=Fraction(2))
    with av.open(str(tmp_path / "clip.mov")) as container:
        frame = list(container.decode(video=0))[1]
    assert (frame.colorspace, frame.color_primaries, frame.color_trc) == (1, 1, 1)
    drawn = clip.picture(0.5)
    luma = _rows_of(_frames_of(clip, "yuva444p10le")(0.5))[0].view(np.uint16) / 4.0
    wanted = 16.0 + 219.0 / 255.0 * (drawn[..., :3] @ np.array([0.2126, 0.7152, 0.0722]))
    blue = drawn[..., 2] > drawn[..., 0] + 200.0
    assert blue.sum() > 20 and np.abs(luma - wanted)[blue].max() < 1.5


def test_a_sound_that_a_kind_of_file_cannot_hold_is_named(tmp_path: Path) -> None:
    footage(tmp_path / "footage.mkv", STAMPS_MS, codec="libopus")
    with pytest.raises(OutputError, match=r"out\.mov: cannot be written \(.*\); a \.mkv holds any sound"):
        write_over([one_second()], LOOK, tmp_path / "footage.mkv", tmp_path / "out.mov")
    assert write_over([one_second()], LOOK, tmp_path / "footage.mkv", tmp_path / "out.mkv") == len(STAMPS_MS)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["footage.mkv", "out.mkv"]


def test_footage_is_never_replaced(tmp_path: Path) -> None:
    footage(tmp_path / "footage.mp4", STAMPS_MS[:5])
    (tmp_path / "run.csv").write_text("frame_time_ms\n" + "10\n" * 200)
    before = (tmp_path / "footage.mp4").read_bytes()
    done = frametime("film", "run.csv", "--over", "footage.mp4", "--out", "./footage.mp4", "--force", cwd=tmp_path)
    assert done.code == 2 and "is an input and is not replaced" in done.err
    assert (tmp_path / "footage.mp4").read_bytes() == before


@pytest.mark.parametrize("option", [("--label", "Brae 41"), ("--color", "#3399cc"), ("--sensors", "run.csv")])
def test_what_belongs_to_each_capture_is_given_once_for_each(option: tuple[str, str], tmp_path: Path) -> None:
    (tmp_path / "run.csv").write_text("frame_time_ms\n" + "10\n" * 200)
    done = frametime("film", "run.csv", "run.csv", *option, "--out", "clip.mov", cwd=tmp_path)
    assert done.code == 2 and f"{option[0]} is given once for each capture" in done.err


def test_the_start_is_found_by_a_flash_and_by_pictures_that_stand_still(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    times_ms = np.full(700, 10.0)
    times_ms[np.sort(rng.choice(np.arange(50, 650), 8, replace=False))] = rng.uniform(90.0, 160.0, 8)
    capture = track(times_ms)
    stamps_ms = list(range(0, 12_000, 20))
    ends_s = 2.5 + capture.ends_s
    still = {
        number
        for number, stamp in enumerate(stamps_ms)
        for end_s, took_ms in zip(ends_s[times_ms > 50], times_ms[times_ms > 50], strict=True)
        if end_s - took_ms / 1000.0 + 0.02 < stamp / 1000.0 < end_s
    }
    footage(tmp_path / "footage.mp4", stamps_ms, flash_at=2500, still=still, height=54)
    found = {estimate.sign: estimate for estimate in find_start(capture, tmp_path / "footage.mp4")}
    assert {"flash", "still pictures"} <= found.keys()
    for sign in ("flash", "still pictures"):
        assert abs(found[sign].start_s - 2.5) <= found[sign].plus_minus_s + 0.001, sign


@pytest.mark.parametrize(("signs", "words"), [(["flash"], "use it with"), (["flash", "sound"], "use one of them with")])
def test_the_starts_that_were_found_are_told_with_how_sure_they_are(
    signs: list[str], words: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(film_files, "find_start", lambda *_: [StartEstimate(sign, 2.5, 0.02) for sign in signs])
    _show_starts(None, Path("footage.mp4"), "run.csv")
    *found, last = capsys.readouterr().out.splitlines()
    assert found == [f"By {sign}: --start 2.500 (give or take 0.020 s)" for sign in signs] and words in last


def test_nothing_is_claimed_of_footage_without_a_sign(tmp_path: Path) -> None:
    footage(tmp_path / "footage.mp4", list(range(0, 2000, 20)))
    assert [estimate.sign for estimate in find_start(one_second(), tmp_path / "footage.mp4")] in ([], ["sound"])


def test_what_cannot_be_is_told(tmp_path: Path) -> None:
    clip = Clip([one_second()], LOOK)
    with pytest.raises(OutputError, match=r"the ending '\.gif' is no format for a clip; use \.mov or \.webm"):
        write_clip(clip, tmp_path / "clip.gif", fps=Fraction(30))
    (tmp_path / "broken.mp4").write_bytes(b"no film")
    with pytest.raises(ReadError, match="the footage cannot be read"):
        write_over([one_second()], LOOK, tmp_path / "broken.mp4", tmp_path / "out.mp4")
    footage(tmp_path / "footage.mkv", STAMPS_MS[:5])
    with (
        av.open(str(tmp_path / "footage.mkv")) as source,
        av.open(str(tmp_path / "bare.h264"), "w", format="h264") as bare,
        av.open(str(tmp_path / "sound.mka"), "w", format="matroska") as sound,
    ):
        kept = {stream.type: (bare if stream.type == "video" else sound) for stream in source.streams}
        streams = {name: kept[name].add_stream_from_template(source.streams.best(name)) for name in kept}
        for packet in source.demux():
            if packet.dts is not None:
                packet.stream = streams[packet.stream.type]
                kept[packet.stream.type].mux(packet)
    (tmp_path / "footage.mkv").unlink()
    for name, words in (("bare.h264", "no picture has a time in this file"), ("sound.mka", "no picture is in this")):
        with pytest.raises(ReadError, match=words):
            find_start(one_second(), tmp_path / name)
        with pytest.raises(ReadError, match=words):
            write_over([one_second()], LOOK, tmp_path / name, tmp_path / "out.mp4")
        (tmp_path / name).unlink()
    assert [path.name for path in tmp_path.iterdir()] == ["broken.mp4"]
