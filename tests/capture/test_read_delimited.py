"""Delimited text in its many spellings, each with the answer written by hand."""

from __future__ import annotations

import io
from typing import Any

import numpy as np
import pytest

from sigkit.capture.read_delimited import DelimitedReader
from sigkit.contracts.reader import ReadOptions
from sigkit.errors import CaptureError
from sigkit.types.capture import Capture

ROWS = 40
VOLTS = [((7 * k) % 11) - 4.5 for k in range(ROWS)]


def read(text: str | bytes, encoding: str = "utf-8", **options: Any) -> list[Capture]:
    content = text.encode(encoding) if isinstance(text, str) else text
    return list(DelimitedReader().read(io.BytesIO(content), "a.csv", ReadOptions(**options)))


def rows(line: str, count: int = ROWS, step_s: float = 1e-5, start_s: float = 0.0) -> str:
    """Fill a line with time (t, tms, tus) and voltage (v, i)."""
    return "".join(
        line.format(t=start_s + k * step_s, tms=1e3 * (start_s + k * step_s), tus=1e6 * (start_s + k * step_s),
                    v=VOLTS[k % ROWS], i=k) + "\n"
        for k in range(count)
    )  # fmt: skip


@pytest.mark.parametrize(
    ("header", "line", "name", "scale", "unit"),
    [
        ("time (s),voltage (mV)\n", "{t:.6f},{v}", "voltage", 1e-3, "V"),
        ("Time [ms];U [kV]\n", "{tms:.4f};{v}", "U", 1e3, "V"),
        ("time_us\tlead_V\n", "{tus:.1f}\t{v}", "lead", 1.0, "V"),
        ("time/ms|I/mA\n", "{tms:.4f}|{v}", "I", 1e-3, "A"),
        ("time (s) coil current (A)\n", "{t:.6f} {v}", None, None, None),
        ("t,U\ns,mV\n", "{t:.6f},{v}", "U", 1e-3, "V"),
        ("t;U\n(ms);(V)\n", "{tms:.4f};{v}", "U", 1.0, "V"),
        ("Time,Channel A\n(s),\n", "{t:.6f},{v}", "Channel A", 1.0, ""),
        ("time (s),pressure (bar)\n", "{t:.6f},{v}", "pressure", 1.0, ""),
    ],
)
def test_header_gives_name_and_unit(header: str, line: str, name: str | None, scale: float, unit: str) -> None:
    [capture] = read(header + rows(line))
    [channel] = capture.channels
    if name is not None:
        assert (channel.name, channel.scale, channel.unit) == (name, pytest.approx(scale), unit)
    assert channel.sample_rate_Hz == 100_000.0
    assert channel.samples.tolist() == VOLTS


def test_decimal_comma_with_every_separator() -> None:
    for separator in (";", "\t", "|", " "):
        text = f"time (ms){separator}U (V)\n" + rows("{tms:.4f}#{v}").replace(".", ",").replace("#", separator)
        [capture] = read(text)
        assert capture.channels[0].samples.tolist() == VOLTS, separator
        assert capture.channels[0].sample_rate_Hz == 100_000.0


def test_quoted_decimal_commas_between_commas_are_refused_not_misread() -> None:
    """Four numbers or two with decimal comma: the quotes would decide, but numpy's parser cannot read them."""
    text = "time (ms),U (V)\n" + "".join(f'"0,{k:02d}","{v}"\n'.replace(".", ",") for k, v in enumerate(VOLTS))
    with pytest.raises(CaptureError):
        read(text)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "latin-1"])
def test_encodings(encoding: str) -> None:
    [capture] = read("Zeit (µs);Zündspannung (V)\n" + rows("{tus:.1f};{v}"), encoding)
    assert capture.channels[0].name == "Zündspannung"
    assert capture.channels[0].samples.tolist() == VOLTS
    assert capture.channels[0].sample_rate_Hz == 100_000.0


@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_line_ends(ending: str) -> None:
    [capture] = read(("time (s),U (V)\n" + rows("{t:.6f},{v}")).replace("\n", ending))
    assert len(capture.channels[0]) == ROWS


def test_statements_before_the_numbers() -> None:
    [capture] = read(
        "# sample rate: 250 kHz\nDate: 2024-05-04\nEngine speed = 1850\nnote: first, second\n\nU (V)\n" + rows("{v}")
    )
    assert capture.channels[0].sample_rate_Hz == 250_000.0
    assert capture.time_origin == "2024-05-04"
    assert capture.engine_speed_rpm == 1850.0
    assert capture.metadata["note"] == "first, second"


@pytest.mark.parametrize("line", ["Sample interval (us),4", "dt;4;us", "Sampling rate: 250 kS/s", "fs = 0.25 MHz"])
def test_rate_statements(line: str) -> None:
    [capture] = read(line + "\nU (V)\n" + rows("{v}"))
    assert capture.channels[0].sample_rate_Hz == 250_000.0


def test_long_header() -> None:
    [capture] = read("".join(f"line {k}: remark\n" for k in range(5000)) + "time (s),U (V)\n" + rows("{t:.6f},{v}"))
    assert len(capture.channels[0]) == ROWS


def test_header_without_end_is_refused() -> None:
    with pytest.raises(CaptureError, match="no row of numbers within the first 10000 lines") as caught:
        read("remark without numbers\n" * 20_000 + "1,2\n")
    assert caught.value.place == "line 10000"


def test_no_header_and_no_time() -> None:
    [capture] = read(rows("{v}"), sample_rate_Hz=5e4)
    assert capture.channels[0].sample_rate_Hz == 5e4
    assert capture.channels[0].unit == ""
    with pytest.raises(CaptureError, match="sample rate is not in the file"):
        read(rows("{v}"))


def test_time_is_found_without_a_header() -> None:
    [capture] = read(rows("{t:.6f} {v} {i}"))
    assert [channel.name for channel in capture.channels] == ["channel_1", "channel_2"]
    assert capture.channels[0].sample_rate_Hz == 100_000.0
    assert any("taken as time" in warning for warning in capture.warnings)


def test_running_number_is_no_channel() -> None:
    [capture] = read("sample,U (V)\n" + rows("{i},{v}"), sample_rate_Hz=1e5)
    assert [channel.name for channel in capture.channels] == ["U"]
    assert any("running number" in warning for warning in capture.warnings)


def test_negative_start() -> None:
    [capture] = read("time (ms),U (V)\n" + rows("{tms:.3f},{v}", start_s=-0.0002))
    assert capture.channels[0].start_s == pytest.approx(-0.0002, abs=1e-15)


def test_rounded_time_gives_the_rate_of_the_whole_span() -> None:
    """3 us steps written to 10 us: the first difference is 0, the whole span gives the rate."""
    [capture] = read("time (s),U (V)\n" + rows("{t:.5f},{v}", count=5000, step_s=3e-6))
    assert capture.channels[0].sample_rate_Hz == pytest.approx(1 / 3e-6, rel=1e-5)
    assert any("rounded" in warning for warning in capture.warnings)


@pytest.mark.parametrize(
    ("times", "words", "line"),
    [
        ([k * 1e-5 + (1e-5 if k > 20 else 0) for k in range(ROWS)], "not uniform", "line 23"),
        ([(k**1.2) * 1e-5 for k in range(ROWS)], "not uniform", None),
        ([-k * 1e-5 for k in range(ROWS)], "backwards", "line 3"),
        ([1e-5] * ROWS, "does not increase", "line 3"),
    ],
)
def test_time_that_is_not_uniform_is_refused(times: list[float], words: str, line: str | None) -> None:
    with pytest.raises(CaptureError, match=words) as caught:
        read("time (s),U (V)\n" + "".join(f"{t:.7f},{v}\n" for t, v in zip(times, VOLTS, strict=True)))
    if line:
        assert caught.value.place == line


def test_time_without_unit_that_would_be_far_too_slow_is_refused() -> None:
    with pytest.raises(CaptureError, match="has no unit"):
        read("time,U (V)\n" + rows("{tms:.3f},{v}"))
    [capture] = read("time,U (V)\n" + rows("{tms:.3f},{v}"), sample_rate_Hz=1e5)
    assert capture.channels[0].sample_rate_Hz == pytest.approx(1e5)
    assert any("agrees with the stated sample rate" in warning for warning in capture.warnings)


@pytest.mark.parametrize("between", ["", "\n", "\n\n", "\ntime (s),U (V)\n", "\nsweep 2\ntime (s),U (V)\n"])
def test_sweeps_below_each_other(between: str) -> None:
    block = rows("{t:.6f},{v}", start_s=-0.0001)
    first, second = read("time (s),U (V)\n" + block + between + block)
    assert (first.name, second.name) == ("a.csv#sweep-1", "a.csv#sweep-2")
    assert (first.recording, second.recording, second.sweep) == ("a.csv", "a.csv", 2)
    assert first.channels[0].samples.tolist() == second.channels[0].samples.tolist() == VOLTS
    assert second.channels[0].start_s == pytest.approx(-0.0001, abs=1e-12)


@pytest.mark.parametrize("header", ["", "time (s),U (V),I (A)\n"])
def test_a_sweep_of_another_width_is_refused(header: str) -> None:
    text = "time (s),U (V)\n" + rows("{t:.6f},{v}") + "\n" + header + rows("{t:.6f},{v},{i}")
    with pytest.raises(CaptureError, match="3 columns where 2 were expected") as caught:
        read(text)
    assert caught.value.place == f"line {ROWS + 3 + bool(header)}"


def test_a_remark_below_the_numbers_is_no_sweep() -> None:
    [capture] = read("time (s),U (V)\n" + rows("{t:.6f},{v}") + "\nend of record\n")
    assert (capture.name, len(capture.channels[0])) == ("a.csv", ROWS)


def test_a_stated_rate_has_more_digits_than_rounded_time() -> None:
    [capture] = read("# sample rate: 333333.25 Hz\ntime (s),U (V)\n" + rows("{t:.5f},{v}", 3000, 1 / 333333.25))
    assert capture.channels[0].sample_rate_Hz == 333_333.25


def test_sweeps_without_time() -> None:
    first, second = read("fs: 100000\nU (V)\n" + rows("{v}") + "\n" + rows("{v}", 10))
    assert [len(first.channels[0]), len(second.channels[0])] == [ROWS, 10]


def test_blank_line_after_every_row_is_no_sweep() -> None:
    [capture] = read(("time (s),U (V)\n" + rows("{t:.6f},{v}")).replace("\n", "\n\n"))
    assert len(capture.channels[0]) == ROWS


def test_two_time_columns_rule_the_channels_behind_them() -> None:
    text = "t1 time (s),A (V),t2 time (s),B (V)\n" + "".join(
        f"{k * 1e-5:.6f},{v},{k * 2e-5 - 1e-3:.6f},{-v}\n" for k, v in enumerate(VOLTS)
    )
    [capture] = read(text)
    assert [channel.sample_rate_Hz for channel in capture.channels] == [100_000.0, 50_000.0]
    assert capture.channels[1].start_s == pytest.approx(-1e-3)


def test_minimum_and_maximum_pairs_are_refused_by_name_and_by_time_stamps() -> None:
    with pytest.raises(CaptureError, match="minimum and maximum of blocks"):
        read("time (s),U min (V),U max (V)\n" + rows("{t:.6f},{v},{i}"))
    pairs = "".join(f"{k // 2 * 1e-5:.6f},{VOLTS[k % ROWS] + (20 if k % 2 else 0)}\n" for k in range(ROWS))
    with pytest.raises(CaptureError, match="equal pairs"):
        read("time (s),U (V)\n" + pairs)


@pytest.mark.parametrize(
    ("damage", "words", "line"),
    [
        (("0.000100", "0.0001x0"), "column 1 holds '0.0001x0'", 12),
        ((f"0.000100,{VOLTS[10]}", "0.000100"), "1 columns where 2 were expected", 12),
        ((f"0.000100,{VOLTS[10]}", f"0.000100,{VOLTS[10]},9"), "3 columns where 2 were expected", 12),
        ((f"0.000100,{VOLTS[10]}", "0.000100,"), "column 2 holds ''", 12),
        ((f"0.000100,{VOLTS[10]}", "0.000100,overload"), "column 2 holds 'overload'", 12),
        ((f"0.000010,{VOLTS[1]}", "0.000010,---"), "column 2 holds '---'", 3),
    ],
)
def test_damaged_row_is_named(damage: tuple[str, str], words: str, line: int) -> None:
    text = ("time (s),U (V)\n" + rows("{t:.6f},{v}")).replace(*damage, 1)
    with pytest.raises(CaptureError, match=words) as caught:
        read(text)
    assert caught.value.place == f"line {line}"


def test_separators_at_the_end_of_rows() -> None:
    [capture] = read("time (s);U (V);\n" + rows("{t:.6f};{v};"))
    assert capture.channels[0].samples.tolist() == VOLTS
    with pytest.raises(CaptureError, match="3 columns where 2 were expected"):
        read(("time (s);U (V);\n" + rows("{t:.6f};{v};")).replace(f"0.000100;{VOLTS[10]};", f"0.000100;{VOLTS[10]};7"))


def test_digit_grouping_is_refused() -> None:
    with pytest.raises(CaptureError):
        read("time (s);U (mV)\n" + "".join(f"{k * 1e-5:.6f};1,{k:03d}.5\n" for k in range(ROWS)))


def test_one_comma_a_line_that_could_be_either_is_refused() -> None:
    with pytest.raises(CaptureError, match="decimal sign or a column separator"):
        read("512,498\n511,497\n513,501\n", sample_rate_Hz=1e5)


def test_clock_times_are_refused_with_the_remedy() -> None:
    text = "".join(f"10:11:12.{k:06d},{v}\n" for k, v in enumerate(VOLTS))
    with pytest.raises(CaptureError, match="no row of numbers") as caught:
        read(text)
    assert "seconds" in caught.value.remedy


def test_named_column_alone_is_read() -> None:
    [capture] = read("time (s),A (V),B (V)\n" + rows("{t:.6f},{v},{i}"), array="B")
    assert [channel.name for channel in capture.channels] == ["B"]
    with pytest.raises(CaptureError, match="no column called 'C'"):
        read("time (s),A (V),B (V)\n" + rows("{t:.6f},{v},{i}"), array="C")


def test_pandas_when_asked_gives_the_same() -> None:
    pytest.importorskip("pandas")
    text = "time (s),U (V)\n" + rows("{t:.6f},{v}")
    [plain], [other] = read(text), read(text, extra={"parser": "pandas"})
    np.testing.assert_array_equal(plain.channels[0].samples, other.channels[0].samples)


def test_other_text_is_not_taken_for_numbers() -> None:
    sniff = DelimitedReader().sniff
    assert sniff(b"A story\nwithout numbers.\n", "story.md") == 0.0
    assert sniff(b'{"a": [1, 2, 3]}', "a.csv") == 0.0
    assert sniff(b"<html>\n1\n2\n3\n</html>", "a.csv") == 0.0
    assert sniff(b"1;2\n3;4\n", "anything") >= 0.5
    assert sniff(b"\x00\x01\x02\x03", "a.csv") == 0.0
