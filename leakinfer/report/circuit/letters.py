"""How wide words are, before anybody draws them: never less than in a common screen type."""

from __future__ import annotations

from unicodedata import normalize

# Advance widths in em of DejaVu Sans Bold, one of the widest common types, rounded up to classes.
_CLASSES = {
    0.31: "'",
    0.40: " ,.ijlIJ/\\|:;",
    0.50: "()[]!frt_`-",
    0.60: '?*szc"',
    0.73: "abdeghknopqsuvxyzLEFST0123456789{}$",
    0.86: "ABCDGHKNOPQRUVXYZ#+<=>^~",
    1.00: "w@&",
    1.11: "WM%m",
}
_WIDTHS = {letter: width for width, letters in sorted(_CLASSES.items()) for letter in letters}
ANY_OTHER = 1.45  # letters of other scripts, signs
ACCENT = 0.16  # what hooks and horns add at most
MORE = ".."


def width_of(words: str, size: float) -> float:
    """The width of words in units of ``size``; an estimate that is never too small."""
    return size * sum(_WIDTHS.get(letter) or _other(letter) for letter in words)


def _other(letter: str) -> float:
    """A letter with an accent is hardly wider than without it."""
    return ACCENT + _WIDTHS.get(normalize("NFD", letter)[0], ANY_OTHER)


def wrapped(words: str, room: float, size: float, most: int = 3) -> tuple[str, ...]:
    """Words in lines that fit into ``room``; what goes beyond ``most`` lines is cut off with two dots."""
    lines, line = [], ""
    for word in " ".join(words.split()).split(" "):
        for piece in _pieces(word, room, size):
            longer = f"{line} {piece}".strip()
            if width_of(longer, size) <= room:
                line = longer
            else:
                lines.append(line)
                line = piece
    lines.append(line)
    lines = [part for part in lines if part]
    if len(lines) <= most:
        return tuple(lines)
    return (*lines[: most - 1], shortened(f"{lines[most - 1]} {MORE}", room, size))


def shortened(words: str, room: float, size: float) -> str:
    """Words cut to fit, with two dots where something is missing."""
    if width_of(words, size) <= room:
        return words
    kept = words.removesuffix(MORE).rstrip()
    while kept and width_of(f"{kept}{MORE}", size) > room:
        kept = kept[:-1]
    return f"{kept.rstrip()}{MORE}"


def _pieces(word: str, room: float, size: float) -> list[str]:
    """A word in pieces that fit into a line: most words are one."""
    pieces, piece = [], ""
    for letter in word:
        if piece and width_of(piece + letter, size) > room:
            pieces.append(piece)
            piece = ""
        piece += letter
    return [*pieces, piece]
