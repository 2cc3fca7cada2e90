"""One table of units: what recorders write, the canonical name, and the size in SI.

Canonical names use the micro sign U+00B5 and spell ``ohm``. A unit that is not in the table is kept as written when a
record is read and refused only when its values are asked for.
"""

from __future__ import annotations

import math
from fractions import Fraction

from drm.errors import RecordError, nearest

__all__ = ["canonical", "factor", "is_known", "units"]

_PI_180 = Fraction(math.pi) / 180

# canonical name -> (kind, size in the kind's base unit, further spellings). Case is kept where it tells units apart.
_TABLE: dict[str, tuple[str, Fraction, str]] = {
    "µV": ("voltage", Fraction(1, 10**6), "uV microvolt microvolts"),
    "mV": ("voltage", Fraction(1, 1000), "millivolt millivolts"),
    "V": ("voltage", Fraction(1), "volt volts Vdc Vac"),
    "kV": ("voltage", Fraction(1000), "kilovolt kilovolts"),
    "µA": ("current", Fraction(1, 10**6), "uA microampere microamps"),
    "mA": ("current", Fraction(1, 1000), "milliampere milliamp milliamps"),
    "A": ("current", Fraction(1), "amp amps ampere amperes Adc Aac"),
    "kA": ("current", Fraction(1000), "kiloampere kiloamp kiloamps"),
    "µm": ("length", Fraction(1, 10**6), "um micron micrometre"),
    "mm": ("length", Fraction(1, 1000), "millimetre millimeter millimetres millimeters"),
    "cm": ("length", Fraction(1, 100), "centimetre centimeter"),
    "m": ("length", Fraction(1), "metre meter metres meters"),
    "in": ("length", Fraction(254, 10000), 'inch inches "'),
    "rad": ("angle", Fraction(1), "radian radians"),
    "mrad": ("angle", Fraction(1, 1000), "milliradian"),
    "deg": ("angle", _PI_180, "° degree degrees"),
    "ns": ("time", Fraction(1, 10**9), "nsec nanosecond nanoseconds"),
    "µs": ("time", Fraction(1, 10**6), "us usec microsecond microseconds"),
    "ms": ("time", Fraction(1, 1000), "msec millisecond milliseconds"),
    "s": ("time", Fraction(1), "sec secs second seconds"),
    "min": ("time", Fraction(60), "minute minutes"),
    "µohm": ("resistance", Fraction(1, 10**6), "uohm µΩ uΩ microohm"),
    "mohm": ("resistance", Fraction(1, 1000), "mΩ milliohm"),
    "ohm": ("resistance", Fraction(1), "Ω ohms"),
    "kohm": ("resistance", Fraction(1000), "kΩ kiloohm"),
    "Mohm": ("resistance", Fraction(10**6), "MΩ megaohm megohm"),
    "Hz": ("frequency", Fraction(1), "hertz"),
    "kHz": ("frequency", Fraction(1000), "kilohertz"),
    "m/s": ("speed", Fraction(1), "mps m·s-1 m·s⁻¹"),
    "mm/ms": ("speed", Fraction(1), ""),
    "W": ("power", Fraction(1), "watt watts"),
    "kW": ("power", Fraction(1000), "kilowatt"),
    "N": ("force", Fraction(1), "newton"),
    "kN": ("force", Fraction(1000), "kilonewton"),
    "Pa": ("pressure", Fraction(1), "pascal"),
    "kPa": ("pressure", Fraction(1000), ""),
    "MPa": ("pressure", Fraction(10**6), ""),
    "bar": ("pressure", Fraction(10**5), ""),
    "°C": ("temperature", Fraction(1), "degC ℃ celsius"),
    "%": ("ratio", Fraction(1, 100), "percent pct"),
    "1": ("ratio", Fraction(1), "p.u. pu"),
}

# In capitals these read as either of two units: milli or mega, second or siemens.
_AMBIGUOUS = {"MV": "mV or megavolt", "MA": "mA or megaampere", "MOHM": "mohm or Mohm", "S": "s or siemens"}

# Greek mu and the ohm sign to the characters used above; the ordinal for a degree; no-break space; division slash.
_SAME = str.maketrans({"\u03bc": "\u00b5", "\u2126": "\u03a9", "\u00ba": "°", "\u00a0": " ", "\u2215": "/"})


def _plain(text: str) -> str:
    return text.translate(_SAME).strip().replace("Ω", "ohm").strip()


def _spellings() -> tuple[dict[str, str], dict[str, str]]:
    exact: dict[str, str] = {}
    for name, (_, _, others) in _TABLE.items():
        exact.update({_plain(spelling): name for spelling in (name, *others.split())})
    folded: dict[str, set[str]] = {}
    for spelling, name in exact.items():
        folded.setdefault(spelling.casefold().replace("\u03bc", "\u00b5"), set()).add(name)
    return exact, {key: names.pop() for key, names in folded.items() if len(names) == 1}


_EXACT, _FOLDED = _spellings()


def canonical(text: str) -> str:
    """Canonical name of a unit as a recorder wrote it.

    Parameters
    ----------
    text : str
        For example ``uV``, ``mv``, ``Ω`` (U+03A9 or U+2126), ``[mm]``.

    Returns
    -------
    str
        The canonical name; the text itself, stripped, where the unit is unknown or its capitals are ambiguous.
    """
    plain = _plain(text)
    if len(plain) > 1 and plain[0] + plain[-1] in ("[]", "()"):
        plain = plain[1:-1].strip()
    if plain in _EXACT:
        return _EXACT[plain]
    if plain in _AMBIGUOUS:
        return plain
    return _FOLDED.get(plain.casefold().replace("\u03bc", "\u00b5"), plain)


def is_known(unit: str) -> bool:
    """Whether the table holds the unit, by any of its spellings."""
    return canonical(unit) in _TABLE


def units(kind: str) -> tuple[str, ...]:
    """Canonical names of the units of one kind, such as ``voltage``."""
    return tuple(name for name, (k, _, _) in _TABLE.items() if k == kind)


def factor(unit: str, to: str, *, channel: str = "") -> float:
    """Factor from one unit to another of the same kind.

    Parameters
    ----------
    unit, to : str
        Any spelling of the table. Empty stands for dimensionless: it goes to empty with factor 1 and to nothing else.
    channel : str, optional
        Named in the error.

    Returns
    -------
    float
        What values in `unit` are multiplied by to be in `to`.

    Raises
    ------
    RecordError
        If a unit is unknown, or the kinds differ.
    """
    source, target = canonical(unit), canonical(to)
    if source == target and (source in _TABLE or not source):
        return 1.0
    place = f"channel '{channel}'" if channel else ""
    if not source:
        raise RecordError(f"no unit is given and {target} is wanted", place=place, mend="state the unit in the record")
    for name in (source, target):
        if name in _AMBIGUOUS:
            raise RecordError(f"unit '{name}' may be {_AMBIGUOUS[name]}", place=place, mend="correct it in the record")
        if name and name not in _TABLE:
            raise RecordError(f"unit '{name}' is unknown", place=place, mend=nearest(name, _TABLE))
    kind, size, _ = _TABLE[source]
    wanted, step, _ = _TABLE.get(target, ("dimensionless", Fraction(1), ""))
    if kind != wanted:
        what = f"its unit {source} is a {kind}, and {target or 'no unit'} ({wanted}) is wanted"
        raise RecordError(what, place=place, mend="name another channel or correct the unit in the record")
    return float(size / step)
