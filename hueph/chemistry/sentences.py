"""The language of a recipe: one sentence a step, as a student writes it in a notebook.

::

    take 2 mL of buffer
    mix 5 mL acid and 5 mL salt                mix equal volumes of acid and salt, 5 mL each
    dilute acid 1:10                           dilute 10 mL of acid to 100 mL
    split buffer into A, B and C, 2 mL each    split buffer into 3
    add 5 drops of base to A                   add 5 drops of 0.1 M NaOH to 2 mL of buffer
    titrate 25 mL of acid with base            ... , using phenolphthalein / to pH 8.2 / used 22.3 mL
    boil 50 mL of water                        leave buffer in air        warm buffer to 37 °C

An amount may name what it is measured with: ``5 mL [class A pipette] acid``.
"""

from __future__ import annotations

import re

from hueph.chemistry.steps import (
    Add,
    Amount,
    Dilute,
    Exchange,
    Mix,
    Part,
    Sentence,
    Split,
    Take,
    Temper,
    Titrate,
)

__all__ = ["SentenceError", "check_name", "parse_sentence", "parse_volume_ml"]

NUMBER = r"[-+]?(?:\d+\.?\d*|\.\d+)(?:[eE][-+]?\d+)?"
_VOLUME_UNIT = {"ml": 1.0, "l": 1000.0, "µl": 1e-3, "μl": 1e-3, "ul": 1e-3, "cm3": 1.0, "cm³": 1.0}
_UNITS = "|".join([*_VOLUME_UNIT, "drops?", "litres?", "liters?"])
_AMOUNT = re.compile(
    rf"(?P<number>{NUMBER})\s*(?P<unit>{_UNITS})(?![\w])\s*(?:\[(?P<tool>[^\]]*)\])?\s*", re.I
)
_SEPARATOR = re.compile(r"\s*,\s*and\s+|\s*,\s*|\s+and\s+|\s+with\s+|\s+plus\s+|\s*\+\s+", re.I)
_MAX_VOLUME_ML, _MIN_VOLUME_ML = 1e6, 1e-4
_NAME = re.compile(r"[^\W\d_][\w.-]*(?: [\w.-]+)*")
# fmt: off
_RESERVED = frozenset((
    "and", "with", "to", "of", "into", "in", "using", "used", "from", "plus", "each", "it", "water", "rest",
    "all", "the",
))
# fmt: on
_FOLD_WORDS = {"tenfold": "10 times", "hundredfold": "100 times", "thousandfold": "1000 times"}
# "five drops", "a drop": numbers in words, before a unit only.
_WORDS = {
    "half a": "0.5", "a": "1", "an": "1", "one": "1", "two": "2", "three": "3", "four": "4", "five": "5", "six": "6",
    "seven": "7", "eight": "8", "nine": "9", "ten": "10", "twelve": "12", "fifteen": "15", "twenty": "20",
}  # fmt: skip
_IN_WORDS = re.compile(rf"(?<![\w-])({'|'.join(_WORDS)})\s+(?=(?:{_UNITS})(?![\w]))", re.I)
VERBS = ("take", "mix", "dilute", "split", "add", "titrate", "boil", "leave", "warm", "cool")


class SentenceError(ValueError):
    """A sentence is not understood or breaks a rule; the reader of the recipe adds the line."""


def parse_sentence(text: str) -> Sentence:
    """Turn one sentence into a step.

    Raises
    ------
    SentenceError
        The verb is not known, a part is missing, or a number breaks a rule.

    Examples
    --------
    >>> parse_sentence("add 5 drops of base to 2 mL of buffer").to.what
    'buffer'
    """
    sentence = " ".join(text.split()).rstrip(".")
    sentence = _IN_WORDS.sub(lambda found: f"{_WORDS[found[1].casefold()]} ", sentence)
    verb, _, rest = sentence.partition(" ")
    parser = _PARSERS.get(verb.casefold())
    if parser is None:
        raise SentenceError(f"a step must begin with one of {', '.join(VERBS)}, found {verb or 'nothing'!r}")
    if not rest.strip():
        raise SentenceError(f"{verb!r} needs to say what of, for example: {_EXAMPLE[verb.casefold()]}")
    return parser(rest.strip(), verb.casefold())


def check_name(name: str) -> None:
    """Check that a solution, step or portion may be called so.

    Raises
    ------
    SentenceError
        It holds other signs, or a word that means something in a sentence.
    """
    bad = [word for word in name.casefold().split() if word in _RESERVED]
    if bad:
        raise SentenceError(f"{name!r} cannot be a name: the word {bad[0]!r} has a meaning of its own")
    if _NAME.fullmatch(name) is None:
        raise SentenceError(f"{name!r} cannot be a name: a letter, then letters, digits, - and _ are allowed")


def parse_volume_ml(text: str) -> float:
    """Read a volume such as ``"250 mL"`` or ``"1 L"``, mL.

    Raises
    ------
    SentenceError
        It is no volume, or out of range.
    """
    match = _AMOUNT.fullmatch(text.strip())
    if match is None or match["unit"].casefold().startswith("drop"):
        raise SentenceError(f"a volume such as 250 mL was expected, found {text.strip()!r}")
    return _amount(match).value


def _amount(match: re.Match[str]) -> Amount:
    """Check the number of an amount and bring it to mL or drops."""
    value, unit = float(match["number"]), match["unit"].casefold()
    tool = match["tool"].strip() if match["tool"] else None
    if unit.startswith("drop"):
        if not 0.0 < value <= 10_000.0:
            raise SentenceError(
                f"a number of drops must be above 0 and at most 10000, found {match['number']}"
            )
        return Amount(value, True, tool)
    factor = 1000.0 if unit.startswith("lit") else _VOLUME_UNIT[unit]
    millilitres = value * factor
    if not _MIN_VOLUME_ML <= millilitres <= _MAX_VOLUME_ML:
        raise SentenceError(
            f"a volume must lie between 0.0001 mL and 1000 L, found {match['number']} {match['unit']}"
        )
    return Amount(millilitres, False, tool)


def _part(text: str, *, verb: str) -> Part:
    """Read ``5 mL of acid``, ``5 drops 0.1 M NaOH``, ``the rest of acid`` or ``acid``."""
    text = text.strip()
    match = _AMOUNT.match(text)
    amount = None
    if match is not None:
        amount = _amount(match)
        text = text[match.end() :]
    text = re.sub(r"^(?:all|the rest|rest)\s+(?:of\s+)?", "", text, flags=re.I)
    text = re.sub(r"^of\s+", "", text, flags=re.I)
    text = re.sub(r"^(?:the|a)\s+", "", text, flags=re.I).strip()
    if not text:
        raise SentenceError(f"{verb!r} needs to say what of, for example: {_EXAMPLE[verb]}")
    if match is None and re.match(rf"{NUMBER}\s*$|{NUMBER}\s+(?!(?:[mµμu]?M|mmol|mol|g)\b)", text):
        raise SentenceError(f"an amount needs a unit, mL or drops: found {text!r}")
    return Part(amount, text)


def _parts(text: str, *, verb: str) -> tuple[Part, ...]:
    return tuple(_part(piece, verb=verb) for piece in _SEPARATOR.split(text))


def _take(rest: str, verb: str) -> Sentence:
    return Take(_part(rest, verb="take"))


def _mix(rest: str, verb: str) -> Sentence:
    match = re.match(r"equal (?:volumes|amounts|parts) of\s+(.+?)(?:,?\s+([^,]+?)\s+each)?$", rest, re.I)
    if match is None:
        parts = _parts(rest, verb="mix")
        if len(parts) < 2:
            raise SentenceError(f"'mix' needs at least two liquids, for example: {_EXAMPLE['mix']}")
        return Mix(parts, False, None)
    parts = _parts(match[1], verb="mix")
    if len(parts) < 2:
        raise SentenceError(f"'mix' needs at least two liquids, for example: {_EXAMPLE['mix']}")
    if any(part.amount is not None for part in parts):
        raise SentenceError("with 'equal volumes' the volume goes to the end, such as: ..., 5 mL each")
    return Mix(parts, True, _each(match[2]))


def _each(text: str | None) -> Amount | None:
    if text is None:
        return None
    match = _AMOUNT.fullmatch(text.strip())
    if match is None:
        raise SentenceError(f"a volume such as 2 mL was expected before 'each', found {text.strip()!r}")
    return _amount(match)


def _dilute(rest: str, verb: str) -> Sentence:
    for word, number in _FOLD_WORDS.items():
        rest = re.sub(rf"\b{word}\b", number, rest, flags=re.I)
    rest, _, diluent = re.sub(r"\s+with\s+", "\n", rest, count=1, flags=re.I).partition("\n")
    match = re.match(
        rf"(.+?)\s+(?:(?:up\s+)?to\s+(.+)|1\s*(?::|/|in)\s*({NUMBER})|(?:by\s+)?({NUMBER})\s*(?:-?\s*fold|times|x))$",
        rest,
        re.I,
    )
    if match is None:
        ratio = re.search(rf"({NUMBER})\s*(?::|/|in)\s*({NUMBER})$", rest)
        if ratio is not None:
            raise SentenceError(f"a dilution is written 1:10, one part in ten parts in all, found {ratio[0]}")
        raise SentenceError(f"'dilute' needs a ratio or a final volume, for example: {_EXAMPLE['dilute']}")
    part = _part(match[1], verb="dilute")
    if match[2] is not None:
        found = _AMOUNT.fullmatch(match[2].strip())
        if found is None or found["unit"].casefold().startswith("drop"):
            raise SentenceError(f"'dilute ... to' needs a volume such as 100 mL, found {match[2]!r}")
        return Dilute(part, None, _amount(found), diluent.strip() or "water")
    factor = float(match[3] or match[4])
    if not 1.0 < factor <= 1e9:
        raise SentenceError(f"a dilution must be 1 to more than 1 (1:10 is tenfold), found 1:{factor:g}")
    return Dilute(part, factor, None, diluent.strip() or "water")


def _fill(rest: str, verb: str) -> Sentence:
    return _dilute(rest, "dilute")


def _split(rest: str, verb: str) -> Sentence:
    match = re.match(r"(.+?)\s+(?:into|among|between)\s+(.+?)(?:,?\s+([^,]+?)\s+each)?$", rest, re.I)
    if match is None:
        raise SentenceError(f"'split' needs to say into what, for example: {_EXAMPLE['split']}")
    each = _each(match[3])
    what = _part(match[1], verb="split")
    if what.amount is not None:
        raise SentenceError("'split' takes no amount; say how much each: split acid into A and B, 2 mL each")
    counted = re.fullmatch(r"(\d+)(?:\s+(?:portions|tubes|parts))?", match[2].strip(), re.I)
    if counted is not None:
        count = int(counted[1])
        if not 2 <= count <= 100:
            raise SentenceError(f"'split' makes 2 to 100 portions, found {count}")
        return Split(what.what, (), count, each)
    names = tuple(piece.strip() for piece in _SEPARATOR.split(match[2]))
    for name in names:
        check_name(name)
    if len(names) < 2:
        raise SentenceError(f"'split' makes at least two portions, for example: {_EXAMPLE['split']}")
    return Split(what.what, names, len(names), each)


def _add(rest: str, verb: str) -> Sentence:
    match = re.match(r"(.+?)\s+(?:in)?to\s+(.+)$", rest, re.I)
    if match is None:
        raise SentenceError(f"'add' needs to say to what, for example: {_EXAMPLE['add']}")
    return Add(_parts(match[1], verb="add"), _part(match[2], verb="add"))


def _titrate(rest: str, verb: str) -> Sentence:
    match = re.match(r"(.+?)\s+(?:with|against)\s+([^,]+?)\s*(?:,\s*(.+))?$", rest, re.I)
    if match is None:
        raise SentenceError(f"'titrate' needs to say with what, for example: {_EXAMPLE['titrate']}")
    indicator: str | None = None
    until: float | None = None
    used: float | None = None
    for clause in (match[3] or "").split(","):
        words = clause.strip()
        if not words:
            continue
        if found := re.fullmatch(r"(?:using|with)\s+(.+)", words, re.I):
            indicator = found[1]
        elif found := re.fullmatch(rf"(?:up\s+)?to\s+pH\s*({NUMBER})", words, re.I):
            until = float(found[1])
        elif found := re.fullmatch(r"used\s+(.+)", words, re.I):
            used = parse_volume_ml(found[1])
        elif found := re.fullmatch(
            rf"(?:burette\s+)?from\s+({NUMBER})(?:\s*mL)?\s+to\s+({NUMBER})\s*mL", words, re.I
        ):
            used = float(found[2]) - float(found[1])
            if used <= 0.0 or float(found[1]) < 0.0:
                raise SentenceError(f"burette readings rise from the first to the last, found {words!r}")
        else:
            raise SentenceError(
                "after the titrant come 'using INDICATOR', 'to pH 8.2', 'used 22.30 mL' or "
                f"'from 0.35 to 22.65 mL', found {words!r}"
            )
    if until is not None and not 0.0 <= until <= 14.0:
        raise SentenceError(f"a pH to titrate to must lie between 0 and 14, found {until:g}")
    return Titrate(_part(match[1], verb="titrate"), match[2].strip(), indicator, until, used)


def _boil(rest: str, verb: str) -> Sentence:
    return Exchange(_part(rest, verb="boil"), boiled=True)


def _leave(rest: str, verb: str) -> Sentence:
    match = re.match(r"(.+?)\s+(?:open\s+)?(?:in|to|with)\s+(?:the\s+)?(?:open\s+)?air$", rest, re.I)
    if match is None:
        raise SentenceError(f"'leave' only knows the air, for example: {_EXAMPLE['leave']}")
    return Exchange(_part(match[1], verb="leave"), boiled=False)


def _temper(rest: str, verb: str) -> Sentence:
    match = re.match(rf"(.+?)\s+to\s+({NUMBER})\s*(?:°\s*C|C|deg(?:rees)?(?:\s*C)?)?$", rest, re.I)
    if match is None:
        raise SentenceError(f"{verb!r} needs a temperature, for example: {_EXAMPLE['warm']}")
    temperature = float(match[2])
    if not 0.0 <= temperature <= 50.0:
        raise SentenceError(f"a temperature must lie between 0 and 50 °C, found {match[2]}")
    return Temper(_part(match[1], verb="warm"), temperature)


_PARSERS = {
    "take": _take, "pipette": _take, "measure": _take, "mix": _mix, "combine": _mix, "dilute": _dilute,
    "fill": _fill, "split": _split, "divide": _split, "share": _split, "add": _add, "titrate": _titrate,
    "boil": _boil, "leave": _leave, "open": _leave, "warm": _temper, "heat": _temper, "cool": _temper,
}  # fmt: skip
_EXAMPLE = {
    "take": "take 2 mL of buffer",
    "mix": "mix 5 mL acid and 5 mL salt",
    "dilute": "dilute acid 1:10",
    "split": "split buffer into A and B",
    "add": "add 5 drops of base to A",
    "titrate": "titrate 25 mL of acid with base",
    "boil": "boil 50 mL of water",
    "leave": "leave water in air",
    "warm": "warm buffer to 37 °C",
}
_SAME_AS = {
    "pipette": "take", "measure": "take", "combine": "mix", "divide": "split", "share": "split",
    "open": "leave", "heat": "warm", "cool": "warm",
}  # fmt: skip
_EXAMPLE |= {verb: _EXAMPLE[other] for verb, other in _SAME_AS.items()} | {"fill": "fill acid to 100 mL"}
