"""Write the folder of ugly files, ``tests/data/ugly``: ``python tests/make_ugly.py``.

Each file has one fault met in the field; the tests name it. Values are invented.
"""

from __future__ import annotations

import struct
from pathlib import Path

FOLDER = Path(__file__).parent / "data" / "ugly"

U = "1,U_A1,A,,V,0.001,0,0,-99999,99999,1,1,P"
I_ = "2,I_A1,A,,A,0.01,0,0,-99999,99999,1,1,P"
D = "1,AUX_a,,,0"
START = "14/03/2026,09:12:00.000000"
ROWS = ((100, 20000, 0), (101, 20001, 0), (102, 20002, 1), (103, 20003, 1))


def cfg(
    *,
    head: str = "BENCH,REC,2013",
    counts: str = "3,2A,1D",
    channels: tuple[str, ...] = (U, I_, D),
    frequency: str = "50",
    rates: tuple[str, ...] = ("1", "1000,4"),
    start: str = START,
    form: str = "ASCII",
    tail: tuple[str, ...] = ("1", "0,0", "0,0"),
) -> str:
    """Text of a configuration, faultless but for what is given."""
    return "\r\n".join([head, counts, *channels, frequency, *rates, start, START, form, *tail]) + "\r\n"


def ascii_(rows: tuple[tuple[object, ...], ...] = ROWS, *, first: int = 1, step: int = 1000) -> bytes:
    """ASCII data: number, timestamp in µs, codes."""
    lines = (",".join(map(str, (first + i, i * step, *row))) for i, row in enumerate(rows))
    return "".join(f"{line}\r\n" for line in lines).encode("ascii")


def binary(
    kind: str, rows: tuple[tuple[float, float, int], ...], stamps: tuple[int, ...] = (0, 1000, 2000, 3000)
) -> bytes:
    """Binary data with codes of the `struct` letter `kind`."""
    return b"".join(struct.pack(f"<II2{kind}H", i + 1, stamps[i], *row) for i, row in enumerate(rows))


def pair(name: str, text: str | bytes, data: bytes, *, suffixes: tuple[str, str] = (".cfg", ".dat")) -> None:
    """Write one pair."""
    content = text.encode("ascii") if isinstance(text, str) else text
    (FOLDER / f"{name}{suffixes[0]}").write_bytes(content)
    (FOLDER / f"{name}{suffixes[1]}").write_bytes(data)


def configurations() -> None:
    """Faults of the configuration."""
    micro = cfg(channels=(U.replace(",V,", ",µV,"), I_, D))
    pair("utf8", micro.encode("utf-8"), ascii_())
    pair("bom", b"\xef\xbb\xbf" + micro.encode("utf-8"), ascii_())
    pair("latin1", micro.encode("latin-1"), ascii_())
    pair("gbk", cfg(channels=(U.replace("U_A1", "断口电压"), I_, D)).encode("gbk"), ascii_())
    pair("upper", cfg(), ascii_(), suffixes=(".cfg", ".DAT"))
    pair("empty_skew", cfg(channels=(U.replace(",0,0,", ",0,,"), I_.replace(",0,0,", ",0,12.5,"), D)), ascii_())
    pair("floats", cfg(counts="3.0,2.0A,1.0D", rates=("1.0", "1000.0,4.0")), ascii_())
    pair("comma", cfg(channels=(U.replace("U_A1,A", "U,A1,"), I_, D)), ascii_())
    pair("comma_phase", cfg(channels=(U.replace("U_A1", "U,A1").replace("A,,", "A,CB1,"), I_, D)), ascii_())
    pair("same_names", cfg(channels=(U, I_.replace("I_A1", "U_A1"), D)), ascii_())
    pair("secondary", cfg(channels=(U, I_.replace("1,1,P", "200,5,S"), D)), ascii_())
    pair("primary", cfg(channels=(U, I_.replace("1,1,P", "200,5,P"), D)), ascii_())
    pair("no_ratio", cfg(channels=(U, I_.replace("1,1,P", "0,0,S"), D)), ascii_())
    pair("blanks", cfg(start=" 14/ 3/2026 , 9:12: 1.500000 "), ascii_())
    pair("bad_date", cfg(start="soon,09:12"), ascii_())
    pair("no_date", cfg(start="00/00/0000,00:00:00.000000"), ascii_())
    pair("absurd_counts", cfg(counts="900000001,900000000A,1D"), ascii_())
    pair("absurd_length", cfg(rates=("1", "1000,99999999999999999999")), ascii_())
    pair("absurd_rates", cfg(rates=("900000000", "1000,4")), ascii_())
    pair("unknown_format", cfg(form="BINARY64"), ascii_())
    pair("cut", cfg()[:60], ascii_())
    pair("bad_multiplier", cfg(channels=(U.replace("0.001", "abc"), I_, D)), ascii_())
    old = ("1,U_A1,A,,V,0.001,0,0,-99999,99999", "2,I_A1,A,,A,0.01,0,0,-99999,99999", "1,AUX_a,0")
    late = {"head": "BENCH,REC", "channels": old, "start": "03/14/26,09:12:00.000000", "tail": ()}
    pair("y1991", cfg(**late), ascii_((*ROWS[:2], (99999, 20002, 1), (103, 20003, 1))))
    pair("minus_one_1991", cfg(**late, form="BINARY"), binary("h", ((-1, 0, 0), (1, -1, 0), (2, 2, 1), (3, 3, 1))))


def data() -> None:
    """Faults of the data."""
    pair("missing_ascii", cfg(), ascii_(((100, 1, 0), ("", 2, 0), (99999, 3, 1), ("  ", 4, 1))))
    for name, kind, code in (("BINARY", "h", -32768), ("BINARY32", "i", -(2**31)), ("FLOAT32", "f", -3.4028234e38)):
        rows = ((-1, 1, 0), (code, 2, 0), (5, 3, 1), (6, 4, 1))
        pair(f"missing_{name.lower()}", cfg(form=name), binary(kind, rows))
    nan = binary("f", ((1, 1, 0), (float("nan"), 2, 0), (float("-inf"), 3, 1), (4, 4, 1)))
    pair("nan_float32", cfg(form="FLOAT32"), nan)
    whole = binary("h", ROWS_BINARY)
    pair("short_binary", cfg(form="BINARY"), whole[:-9])
    pair("long_binary", cfg(form="BINARY"), whole + b"\x1a\0\0")
    pair("nothing", cfg(form="BINARY"), whole[:5])
    pair(
        "wrong_pair",
        cfg(form="BINARY", rates=("1", "1000,24")),
        bytes((i * 37 + i * i * 11) % 251 for i in range(14 * 24)),
    )
    pair("short_ascii", cfg(), ascii_()[:-6])
    pair("short_line", cfg(), ascii_().replace(b",20002", b""))
    pair("letters", cfg(), ascii_().replace(b"20002", b"2oo02"))
    pair("stray_1a", cfg(), ascii_() + b"\x1a")
    pair("last_comma", cfg(), ascii_().replace(b"\r", b",\r"))
    pair("blank_fields", cfg(), ascii_().replace(b",", b" , "))
    pair("fractions", cfg(), ascii_().replace(b"102", b"102.25"))
    pair("from_zero", cfg(), ascii_(first=0))
    pair("left_out", cfg(rates=("1", "1000,6")), b"1,0,1,1,0\n2,1000,2,2,0\n5,4000,3,3,1\n6,5000,4,4,1\n")
    pair("two_states", cfg(), ascii_().replace(b",1\r", b",2\r"))


def clocks() -> None:
    """Faults of the clock."""
    pair("no_rate", cfg(rates=("0", "0,4"), tail=("2.5",)), ascii_())
    pair("no_rate_line", cfg(rates=("0",)), ascii_())
    pair("no_rate_no_stamp", cfg(rates=("0", "0,4")), ascii_().replace(b",2000,", b",,"))
    pair("stamp_missing", cfg(), ascii_().replace(b",2000,", b",,"))
    pair("backwards", cfg(rates=("0", "0,4")), ascii_().replace(b",2000,", b",500,"))
    pair(
        "wrap", cfg(rates=("0", "0,4"), form="BINARY"), binary("h", ROWS_BINARY, (2**32 - 1500, 2**32 - 500, 500, 1500))
    )
    pair("nanoseconds", cfg(rates=("0", "0,4"), start="14/03/2026,09:12:00.000000500"), ascii_())
    pair("two_rates", cfg(rates=("2", "1000,2", "500,4")), ascii_())
    pair("disagree", cfg(rates=("1", "100,4")), ascii_())


def combined() -> None:
    """Combined files."""
    mark = "--- file type: {} ---\r\n"
    head = (mark.format("CFG") + cfg() + mark.format("INF") + "\r\n" + mark.format("HDR") + "\r\n").encode("ascii")
    (FOLDER / "ascii.cff").write_bytes(head + mark.format("DAT ASCII").encode("ascii") + ascii_())
    body = binary("f", ROWS)
    text = cfg(form="FLOAT32")
    plain = (mark.format("CFG") + text + mark.format(f"DAT BINARY: {len(body)}")).encode("ascii")
    (FOLDER / "float32.cff").write_bytes(plain + body)
    (FOLDER / "short.cff").write_bytes(plain + body[:-3])
    (FOLDER / "no_data.cff").write_bytes((mark.format("CFG") + text).encode("ascii"))


def tables() -> None:
    """CSV files."""
    good = "time [s],U_A1 [mV],AUX_a\n0,1.5,0\n0.001,2.5,0\n0.002,,1\n0.003,NaN,1\n"
    texts = {
        "plain": good,
        "round": good.replace("[", "(").replace("]", ")"),
        "tab": good.replace(",", "\t"),
        "decimal_comma": good.replace(",", ";").replace(".", ","),
        "thousands": good.replace(",", ";").replace("1.5", "1.001,5"),
        "comma_comma": good.replace(".", ","),
        "units_row": "time,U_A1,AUX_a\ns,mV,\n" + good.split("\n", 1)[1],
        "milliseconds": "time [ms],U_A1 [mV],AUX_a\n0,1.5,0\n1,2.5,0\n2,,1\n3,NaN,1\n",
        "late_start": "t_us,U_A1 [mV]\n-1000,1\n0,2\n1000,3\n",
        "no_time_unit": good.replace("time [s]", "time"),
        "no_time": good.replace("time [s]", "x"),
        "no_header": good.split("\n", 1)[1],
        "backwards": good.replace("0.002", "0.0005"),
        "letters": good.replace("2.5", "n/m"),
        "few_fields": good.replace("0.002,,1", "0.002,1"),
        "cut": good[:-3],
        "windows": good.replace("\n", "\r\n"),
        "comments": "sep=,\n# bench\n\n" + good,
        "quoted": good.replace("U_A1 [mV]", '"U, A1 [mV]"'),
        "header_only": good.split("\n", 1)[0] + "\n",
    }
    for name, text in texts.items():
        (FOLDER / f"{name}.csv").write_bytes(text.encode("ascii"))
    (FOLDER / "bom.csv").write_bytes(b"\xef\xbb\xbf" + good.replace("mV", "µV").encode("utf-8"))
    (FOLDER / "latin1.csv").write_bytes(good.replace("mV", "µV").encode("latin-1"))
    (FOLDER / "utf16.csv").write_bytes(good.replace("mV", "µV").encode("utf-16"))
    (FOLDER / "empty.csv").write_bytes(b"")
    (FOLDER / "picture.png").write_bytes(b"\x89PNG\r\n\x1a\n" + bytes(64))
    (FOLDER / "cut.parquet").write_bytes(b"PAR1" + bytes(32))
    (FOLDER / "lonely.cfg").write_bytes(cfg().encode("ascii"))
    (FOLDER / "lonely.dat").unlink(missing_ok=True)
    (FOLDER / "alone.dat").write_bytes(ascii_())


ROWS_BINARY = ((100, 2000, 0), (101, 2001, 0), (102, 2002, 1), (103, 2003, 1))


def main() -> None:
    """Write them all."""
    FOLDER.mkdir(parents=True, exist_ok=True)
    configurations()
    data()
    clocks()
    combined()
    tables()


if __name__ == "__main__":
    main()
