"""The reader's alphabet and how training text is folded into it.

Class 0 is the CTC blank; class i is the i-th line of `alphabet.txt`.
"""

import unicodedata

ASCII = "".join(chr(c) for c in range(0x20, 0x7F))
LATIN1 = "".join(chr(c) for c in range(0xC0, 0x100) if c not in (0xD7, 0xF7))
LATIN_A = "ĀāĂăĄąĆćĈĉČčĎďĐđĒēĔĕĖėĘęĚěĜĝĞğĢģĤĥĪīĬĭĮįİıĴĵĶķĹĺĻļĽľŁłŃńŅņŇňŌōŎŏŐőŒœŔŕŖŗŘřŚśŜŝŞşŠšŢţŤťŪūŬŭŮůŰűŲųŴŵŶŷŸŹźŻżŽžſȘșȚț"
SIGNS = "°′″♂♀☿×±½¼¾µ§¶£€©®†‡¿¡÷¹²³·•…–—‘’“”„‚«»‹›№‰ªº¢¥¬≈≤≥→"

ALPHABET = "".join(dict.fromkeys(ASCII + LATIN1 + LATIN_A + SIGNS))
INDEX = {c: i + 1 for i, c in enumerate(ALPHABET)}
CLASSES = len(ALPHABET) + 1

_HAND = str.maketrans({"’": "'", "‘": "'", "“": '"', "”": '"', "„": '"', "—": "–", "−": "–",
                       "\u00a0": " ", "\u202f": " ", "\u2009": " ", "ȼ": "c"})


def fold_hand(text: str) -> str:
    """Fold signs that a hand does not tell apart (curly quotes, the two dashes)."""
    return " ".join(unicodedata.normalize("NFC", text).translate(_HAND).split())


def encode(text: str):
    """Class indices of `text`, or None where a character is outside the alphabet."""
    try:
        return [INDEX[c] for c in text]
    except KeyError:
        return None


def decode(classes) -> str:
    """Best-path decoding: merge repeats, drop blanks."""
    out, last = [], 0
    for c in classes:
        if c != last and c:
            out.append(ALPHABET[c - 1])
        last = c
    return "".join(out)
