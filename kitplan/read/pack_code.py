"""What a keyboard-type reader types when it reads the bar code of a pack: trade item number, use-by date and lot.

GS1 element strings with the application identifiers 01, 17 and 10, with or without brackets, or a trade item
number alone (GS1 General Specifications; day 00 of a date is the last of its month). biip parses them.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from datetime import date

from kitplan.read.cells import Bad

_SEPARATORS = ("\x1d", "~", "|", "^")
_MEND = "Read the pack again, or type its item, lot and date."
_HIDDEN_DATE = re.compile(r".+(17|11|15)\d{2}(0[1-9]|1[0-2])([0-2]\d|3[01])(10.*)?$")


@dataclass(frozen=True)
class PackCode:
    """trade_number: 14 digits, "" where the code has none. expires: None where it has none. lot: "" likewise."""

    trade_number: str
    expires: date | None
    lot: str


def same_trade_number(text: str) -> str:
    """A trade item number in its 14-digit form, by which the shorter forms of one number are the same."""
    return text.zfill(14) if text else ""


def looks_like_pack_code(text: str) -> bool:
    """True for text that only a reader types: an element string, or a bare trade item number."""
    bare = re.sub(r"^\][A-Za-z]\d", "", text.strip())
    return bool(re.match(r"\(?01\)?\d{14}", bare) or re.fullmatch(r"\d{8}|\d{12,14}", bare)
                or re.match(r"\((17|10)\)", bare))


def read_pack_code(text: str) -> PackCode | Bad:
    from biip import ParseConfig, ParseError
    from biip.gs1_messages import GS1Message
    from biip.gtin import Gtin
    from biip.rcn import Rcn

    bare = re.sub(r"^\][A-Za-z]\d", "", text.replace(" ", "").strip(" \t\r\n"))
    try:
        if re.fullmatch(r"\d{8}|\d{12,14}", bare):
            return PackCode(same_trade_number(Gtin.parse(bare).value), None, "")
        message = GS1Message.parse_hri(bare) if bare.startswith("(") else GS1Message.parse(
            bare, config=ParseConfig(separator_chars=_SEPARATORS))
    except ParseError as error:
        return Bad(_why(str(error)), _MEND)
    found = {e.ai.ai: e for e in message.element_strings}
    gtin = found["01"].gtin if "01" in found else None
    if "01" in found and gtin is None:
        return Bad(_why("check digit"), _MEND)
    lot = found["10"].value if "10" in found else ""
    if not bare.startswith("(") and "17" not in found and _HIDDEN_DATE.match(lot):
        return Bad("runs lot and date together: the reader sent no separator", "Type the lot and the date by hand.")
    number = gtin.value if isinstance(gtin, (Gtin, Rcn)) else ""
    return PackCode(same_trade_number(number), found["17"].date if "17" in found else None, lot)


def _why(told: str) -> str:
    return "has a wrong check digit" if "check digit" in told else "is not a pack code that can be read"
