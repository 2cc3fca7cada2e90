"""What a channel's name, phase field and component field say of it, in the words of several languages of the trade."""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace

from drm.record import Channel

__all__ = ["Said", "said"]

#: Ways of lettering three poles, and the pole that each letter stands for. A, B, C comes first: it needs no company.
_SCHEMES: tuple[dict[str, str], ...] = tuple(
    dict(zip(letters.split(), "ABC", strict=True)) for letters in ("A B C", "L1 L2 L3", "R S T", "R Y B", "U V W")
)
#: Stems that tell a kind of channel, longest first where one begins another. Folded: small letters without accents.
#: Device number 52 is an a.c. circuit-breaker, its auxiliary contacts 52a and 52b: IEEE C37.2. The rest is the trade's
#: habit in English, German, French, Spanish, Portuguese and Italian; common practice, no source.
_ROLES: tuple[tuple[str, re.Pattern[str]], ...] = (
    ("resistor", re.compile(r"res|resistor|pir|(einschalt)?widerst\w*|resist[ae]n\w*")),
    ("auxiliary", re.compile(r"aux\w*|52[ab]?|hilfs\w*|ausili\w*")),
    ("motor", re.compile(r"mot|moto[rn]\w*|moteur|charg\w*|spannmot\w*|aufzug\w*")),
    (
        "travel",
        re.compile(
            r"tra?v|travel|stroke|pos|position|displ\w*|way|weg|hub|course|deplac\w*|recorrido|carrera|"
            r"curs[ao]|corsa|encoder|winkel|angle|rotation"
        ),
    ),
    (
        "trip",
        re.compile(
            r"tc|trip\w*|open\w*|yo|off|aus|auslos\w*|ausloes\w*|ausschalt\w*|declench\w*|ouvert\w*|"
            r"apert\w*|abert\w*|disparo|desl\w*"
        ),
    ),
    ("close", re.compile(r"cc|clos\w*|yc|on|ein|einschalt\w*|ferm\w*|enclench\w*|cierre|chius\w*|fech\w*|lig\w*")),
    ("coil", re.compile(r"coil\w*|spule|bobin\w*|release|y|solenoid\w*")),
    ("state", re.compile(r"state|contact|status|kontakt|zustand|estado|etat|stato|contacto")),
    ("voltage", re.compile(r"u|v|ud|vd|udc|vdc|uc|volt\w*|spannung|tension\w*|tensao|voltaje|drop|udrop|vdrop")),
    ("current", re.compile(r"i|idc|amps?|ampere|current|strom|courant|corr[ie]\w*|inj\w*")),
)
#: Words that say nothing: the number that follows one of them counts channels, not interrupters.
_EMPTY = re.compile(r"ch|chan\w*|kanal|voie|canal\w*|analog\w*|dig\w*|a[io]|d[io]?|in|input|eing\w*|sig\w*|x|k|no|nr")
_POLE_WORD = re.compile(r"ph|phase|fase|pole|polo?|pol")
_PLACE_WORD = re.compile(r"unit|int\w*|break\w*|chamber\w*|kammer|unterbr\w*|chambre|camara|camera")
#: A quantity's letter and a pole's, a coil's or the motor's run together: `IA1`, `UB`, `UTC`, `IL2`.
_RUN = re.compile(r"([UVI]D?)([ABCRSTYUVW]|L|TC|CC|M)", re.IGNORECASE)


@dataclass(frozen=True)
class Said:
    """What the words about one channel say; empty or None where they say nothing.

    Attributes
    ----------
    role : str
        One of ``resistor auxiliary a b motor travel trip close coil state voltage current``. Of a coil or the motor,
        whether it is the voltage or the current is the unit's to tell.
    pole : str
        ``A``, ``B`` or ``C``, whatever letters the record uses.
    number : int or None
        Place along the pole.
    numbers : tuple of int
        All that may count poles or places, in order.
    doubt : str
        Where the words contradict one another, or what was taken for granted in reading them.
    """

    channel: Channel
    role: str = ""
    pole: str = ""
    number: int | None = None
    doubt: str = ""
    numbers: tuple[int, ...] = ()

    @property
    def name(self) -> str:
        """The channel's."""
        return self.channel.name


@dataclass(frozen=True)
class _Parsed:
    """Words of one text; `letters` are what may be a pole's, `small` those written small."""

    words: tuple[str, ...] = ()
    letters: tuple[str, ...] = ()
    small: tuple[str, ...] = ()
    pole_number: int | None = None
    number: int | None = None
    numbers: tuple[int, ...] = ()


def said(channels: Sequence[Channel]) -> list[Said]:
    """What is said of each of a record's channels, read together: what letters its poles have shows only so."""
    names = [_parsed(c.name) for c in channels]
    components = [_parsed(c.component) for c in channels]
    scheme = _scheme([*names, *components])
    small = not any(_pole(p.letters, scheme) for p in names)
    out = []
    for channel, name, component in zip(channels, names, components, strict=True):
        one, other = (_one(channel, p, scheme, small) for p in (name, component))
        pole = one.pole or other.pole
        field = _field(channel.phase)
        contrary = f"the name says pole {pole}, the phase field {field}" if field and pole and field != pole else ""
        number = one.number if one.number is not None else other.number
        out.append(replace(one, role=one.role or other.role, pole=pole or field, number=number, doubt=contrary))
    return _numbered_poles(out)


def _numbered_poles(every: list[Said]) -> list[Said]:
    """Where no letter tells a pole but each of several sensors or releases has a number, these count the poles."""
    if any(s.pole for s in every):
        return every
    for role in ("travel", "close", "motor"):
        mine = [s.number for s in every if s.role == role and s.number is not None]
        if len(set(mine)) >= 2 and set(mine) <= {1, 2, 3}:
            break
    else:
        return every
    out = []
    for s in every:
        if s.number is not None and 1 <= s.number <= 3 and s.role not in ("",):
            place = s.numbers[1] if len(s.numbers) > 1 else None
            doubt = "the number in the name is taken for the pole's: 1 for A, 2 for B, 3 for C"
            s = replace(s, pole="ABC"[s.number - 1], number=place, doubt=doubt)
        out.append(s)
    return out


def _folded(text: str) -> str:
    return "".join(c for c in unicodedata.normalize("NFKD", text.casefold()) if not unicodedata.combining(c))


def _parsed(text: str) -> _Parsed:
    """Words where letters, digits and signs meet: ``U_A1`` -> u, a, 1; ``52a`` stays whole."""
    spaced = re.sub(r"(?<=[^\W\d_][a-z])(?=[A-Z])", " ", text[:200])
    tokens = re.findall(r"52[abAB](?![^\W_])|[^\W\d_]+|\d{1,6}", spaced)
    run = _RUN.fullmatch(tokens[0]) if tokens else None
    if run and (run[2].upper() != "L" or (tokens[1:2] and tokens[1][0] in "123")):
        tokens[:1] = run.groups()
    words: list[str] = []
    letters: list[str] = []
    small: list[str] = []
    numbers: list[tuple[str, int]] = []
    for n, token in enumerate(tokens):
        before = tokens[n - 1] if n else ""
        if token.isdecimal() and before.upper() == "L" and token[0] in "123":
            letters.append("L" + token[0])
            numbers += [("l", int(token[1:]))] if token[1:] else []
        elif token.isdecimal():
            numbers.append((_folded(before) or "", int(token)))
        elif token.upper() == "L" and tokens[n + 1 : n + 2] and tokens[n + 1][0] in "123":
            continue
        elif len(token) == 1 and (n > 0 or (token.upper() not in "UVIYM" and len(tokens) > 1)):
            # A first letter of its own is the quantity, `U 1`, or a coil, `Y1`; but the `A` of `A1 voltage` a pole's.
            (letters if token.isupper() else small).append(token.upper())
        words.append(_folded(token))
    return _Parsed(tuple(words), tuple(letters), tuple(small), *_counted(numbers))


def _counted(numbers: Sequence[tuple[str, int]]) -> tuple[int | None, int | None, tuple[int, ...]]:
    """Number of the pole, and of the place along it, from the words that they follow."""
    pole = next((n for w, n in numbers if _POLE_WORD.fullmatch(w) and 1 <= n <= 3), None)
    place = next((n for w, n in numbers if _PLACE_WORD.fullmatch(w)), None)
    rest = [n for w, n in numbers if w and n != 52 and not (_EMPTY.fullmatch(w) or _POLE_WORD.fullmatch(w))]
    return pole, place if place is not None else rest[0] if rest else None, tuple(rest)


def _scheme(parsed: Sequence[_Parsed]) -> dict[str, str]:
    """How the record letters its poles: A, B, C unless several letters of another way say otherwise."""
    seen = {x for p in parsed for x in (*p.letters, *p.small)}
    best = _SCHEMES[0]
    for scheme in _SCHEMES[1:]:
        own = seen & (set(scheme) - set(best))
        if len(seen & set(scheme)) >= 2 and own and (len(own) >= 2 or scheme is _SCHEMES[3]):
            if scheme is _SCHEMES[3] and "Y" not in seen:
                continue
            return scheme | ({} if set(scheme) & set("ABC") else _SCHEMES[0])
    return best | _SCHEMES[1]


def _pole(letters: Sequence[str], scheme: dict[str, str]) -> str:
    return next((scheme[x] for x in letters if x in scheme), "")


def _one(channel: Channel, parsed: _Parsed, scheme: dict[str, str], small: bool) -> Said:
    words = list(parsed.words)
    role = _role(words, channel)
    pole = _pole(parsed.letters, scheme)
    if not pole and small and (role != "auxiliary" or len(parsed.small) > 1):
        pole = _pole(parsed.small, scheme)
    if parsed.pole_number and not pole:
        pole = "ABC"[parsed.pole_number - 1]
    if role == "auxiliary":
        role = _kind_of_contact(parsed) or role
    return Said(channel, role, pole, parsed.number, numbers=parsed.numbers)


def _role(words: Sequence[str], channel: Channel) -> str:
    """The first kind, in the order of the table, that a word tells."""
    # A letter of its own behind the first word names a pole or a kind of contact.
    telling = [w for n, w in enumerate(words) if n == 0 or len(w) > 1]
    found = [role for role, stem in _ROLES if any(stem.fullmatch(w) for w in telling)]
    # A lone m is the motor where it stands for the thing measured, not where it names a place.
    if words[:1] == ["m"] or (words[:1] and words[0] in ("u", "v", "i") and words[1:2] == ["m"]):
        found.insert(0, "motor")
    if not channel.digital and channel.unit and "state" in found and len(found) > 1:
        found.remove("state")
    return found[0] if found else ""


def _kind_of_contact(parsed: _Parsed) -> str:
    """Kind a or b of an auxiliary contact: a letter joined to its number, or the last; normally open is a."""
    for word in reversed(parsed.words):
        joined = re.fullmatch(r"(?:52|aux)([ab])", word)
        if joined or word in ("no", "nc"):
            return joined[1] if joined else {"no": "a", "nc": "b"}[word]
    last = parsed.words[-1] if parsed.words else ""
    # `AUX_A` may be the pole's; `AUX_A_A` and `AUX_a` are the kind.
    alone = len(parsed.letters) + len(parsed.small) < 2 and last.upper() not in parsed.small
    return last if last in ("a", "b") and not alone else ""


def _field(phase: str) -> str:
    """Pole that a phase field tells; it holds nothing else, so that a digit will do."""
    text = re.sub(r"(?i)^(phase|ph|pole|pol|fase)[\s.]*|[-\s]?n$", "", phase.strip()).strip().upper()
    table = {k: v for scheme in reversed(_SCHEMES) for k, v in scheme.items() if scheme is not _SCHEMES[3]}
    return (table | {"1": "A", "2": "B", "3": "C", "Y": "B"}).get(text, "")
