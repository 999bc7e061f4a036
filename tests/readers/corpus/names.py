"""Names and descriptions in every character set of DICOM (PS3.3 C.12.1.1.2, PS3.5 6.1): the scan must not care.

The bytes are made by Python's own codecs and by the escape sequences of PS3.5 Annexes H to K, not by pydicom.
"""

from __future__ import annotations

from corpus.edits import raw_value
from corpus.good import Series
from corpus.registry import Opened, register

CHARACTER_SET, NAME, DESCRIPTION = 0x00080005, 0x00100010, 0x0008103E

SECOND = "\\"
"""A term that begins so leaves the default set first and adds a second one."""

# Defined term, words, their bytes.
SETS: dict[str, tuple[str, bytes]] = {
    "": ("Ear right", b"Ear right"),
    "ISO_IR 6": ("Ear right", b"Ear right"),
    "ISO_IR 100": ("Gehör Ærø", "Gehör Ærø".encode("iso8859-1")),
    "ISO_IR 101": ("Ucho łęą", "Ucho łęą".encode("iso8859-2")),
    "ISO_IR 109": ("Widna ħġ", "Widna ħġ".encode("iso8859-3")),
    "ISO_IR 110": ("Auss āķš", "Auss āķš".encode("iso8859-4")),
    "ISO_IR 144": ("Ухо", "Ухо".encode("iso8859-5")),
    "ISO_IR 127": ("أذن", "أذن".encode("iso8859-6")),
    "ISO_IR 126": ("Αυτί", "Αυτί".encode("iso8859-7")),
    "ISO_IR 138": ("אוזן", "אוזן".encode("iso8859-8")),
    "ISO_IR 148": ("Kulağı", "Kulağı".encode("iso8859-9")),
    "ISO_IR 203": ("Œil €", "Œil €".encode("iso8859-15")),
    "ISO_IR 13": ("ﾐﾐ", "ﾐﾐ".encode("shift_jis")),
    "ISO_IR 166": ("หู", "หู".encode("tis_620")),
    "ISO_IR 192": ("耳 Ухо ear", "耳 Ухо ear".encode()),
    "GB18030": ("耳朵", "耳朵".encode("gb18030")),
    "GBK": ("耳朵", "耳朵".encode("gbk")),
    "ISO 2022 IR 6": ("Ear", b"Ear"),
    "\\ISO 2022 IR 87": (
        "耳",
        b"\x1b$B" + "耳".encode("euc_jp").translate(bytes(n & 127 for n in range(256))) + b"\x1b(B",
    ),
    "ISO 2022 IR 13\\ISO 2022 IR 87": ("ﾐﾐ", "ﾐﾐ".encode("shift_jis")),
    "\\ISO 2022 IR 149": ("귀", b"\x1b$)C" + "귀".encode("euc_kr")),
    "\\ISO 2022 IR 58": ("耳", b"\x1b$)A" + "耳".encode("gb2312")),
    "ISO 2022 IR 100\\ISO 2022 IR 144": ("Gehör", "Gehör".encode("iso8859-1")),
    "\\ISO 2022 IR 100": ("Gehör", b"\x1b-A" + "Gehör".encode("iso8859-1")),
    "\\ISO 2022 IR 101": ("łęą", b"\x1b-B" + "łęą".encode("iso8859-2")),
    "\\ISO 2022 IR 126": ("Αυτί", b"\x1b-F" + "Αυτί".encode("iso8859-7")),
    "\\ISO 2022 IR 127": ("أذن", b"\x1b-G" + "أذن".encode("iso8859-6")),
    "\\ISO 2022 IR 138": ("אוזן", b"\x1b-H" + "אוזן".encode("iso8859-8")),
    "\\ISO 2022 IR 144": ("Ухо", b"\x1b-L" + "Ухо".encode("iso8859-5")),
    "\\ISO 2022 IR 148": ("Kulağı", b"\x1b-M" + "Kulağı".encode("iso8859-9")),
    "\\ISO 2022 IR 166": ("หู", b"\x1b-T" + "หู".encode("tis_620")),
}

# Defined terms and bytes that do not belong together: still no reason to lose a scan.
BROKEN: dict[str, tuple[str, bytes]] = {
    "an undefined term": ("ISO_IR 999", b"Ear \xe9"),
    "a term that is no text": ("\xff\xfe", b"Ear"),
    "bytes not in their set": ("ISO_IR 192", b"Ear \xff\xfe\xfa"),
    "bytes beyond the default set": ("", b"Ear \xff\xfe"),
    "an escape into nowhere": ("\\ISO 2022 IR 87", b"\x1b$"),
    "an escape that was not announced": ("ISO_IR 100", b"\x1b$B\x3c*"),
    "a hundred terms": ("\\".join(["ISO 2022 IR 100"] * 100), b"Ear"),
}


def _write(series: Series, term: str, text: bytes, description: str | None) -> Opened:
    for k in range(len(series.hu)):
        series.edit(k, lambda data: setattr(data, "SpecificCharacterSet", "ISO_IR 100"))
        path = series.path(k)
        raw_value(path, NAME, b"Zzyxq^" + text + b"=" + text)
        raw_value(path, DESCRIPTION, text)
        raw_value(path, CHARACTER_SET, term.encode("latin-1"))
    return Opened(description=description)


for _term, (_words, _text) in SETS.items():
    register(
        f"name in {_term.lstrip(SECOND) or 'the default set'}{' as second set' if _term.startswith(SECOND) else ''}",
        lambda series, term=_term, words=_words, text=_text: _write(series, term, text, words),
        harmless=True,
    )
for _name, (_term, _text) in BROKEN.items():
    register(
        f"name with {_name}",
        lambda series, term=_term, text=_text: _write(series, term, text, None),
        harmless=True,
        warned="character",
    )
