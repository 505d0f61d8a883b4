"""What makes a password easy to guess. No rule asks for kinds of characters.

Sources: OWASP ASVS 5.0.0, 6.2.1 to 6.2.12; NIST SP 800-63B-4, passwords: length, a list of what is
refused, normalisation; no composition rules.
"""

import unicodedata
from collections.abc import Collection, Iterable

SHORTEST = 15
LEFT = 8  # letters that must be left when the words of the clinic are taken out
FEWEST_KINDS = 5  # different characters; fewer are one key held down, or a pattern of two
PADDING = 9  # figures and signs around a common word that are counted as padding, below this
WORDS_OF_ALL = ("password", "passphrase", "welcome", "secret", "clinic", "gait", "records")
ROWS = (
    "abcdefghijklmnopqrstuvwxyz",
    "01234567890",
    "qwertyuiopasdfghjklzxcvbnm",
    "qwertzuiopasdfghjklyxcvbnm",
    "1qaz2wsx3edc4rfv5tgb6yhn7ujm8ik9ol0p",
)
RUNS = tuple(way for row in ROWS for way in (row * 2, row[::-1] * 2))


def normalised(password: str) -> str:
    """One form for what looks the same, so that another keyboard opens the account too.

    Source: NIST SP 800-63B-4, passwords (Unicode normalisation form KC).
    """
    return unicodedata.normalize("NFKC", password)


def squeezed(text: str) -> str:
    """Letters and figures only, small, without accents."""
    apart = unicodedata.normalize("NFKD", text.casefold())
    return "".join(sign for sign in apart if sign.isalnum())


def is_short(password: str) -> bool:
    """Whether it has fewer characters than asked for; every character counts as one."""
    return len(normalised(password)) < SHORTEST


def is_common(password: str, common: Collection[str]) -> bool:
    """Whether it is a common one, also in capitals, repeated or padded, or a row of keys.

    common: passwords in small letters.
    """
    whole = normalised(password).casefold()
    core = squeezed(whole)
    if len(set(whole)) < FEWEST_KINDS or is_run(core):
        return True
    tries = {whole.strip(), core, repeated_part(whole), repeated_part(core)}
    if tries & set(common):
        return True
    inner = core.strip("0123456789")
    padding = core.replace(inner, "", 1) if inner else ""
    return inner in common and (len(padding) < PADDING or is_run(padding))


def is_run(text: str) -> bool:
    """Whether it is made of nothing but pieces of rows of keys, three or more keys each."""
    while text:
        piece = next((n for n in range(len(text), 2, -1) if _in_a_row(text[:n])), 0)
        if not piece:
            return False
        text = text[piece:]
    return True


def _in_a_row(text: str) -> bool:
    return len(set(text)) == 1 or any(text in run for run in RUNS)


def repeated_part(text: str) -> str:
    """The shortest part of which the text is a repetition, the last one cut off or not."""
    for size in range(1, len(text) // 2 + 1):
        if (text[:size] * (len(text) // size + 1)).startswith(text):
            return text[:size]
    return text


def is_of_the_clinic(password: str, names: Iterable[str]) -> bool:
    """Whether it is little more than names that belong to the clinic or to its owner.

    names: of the clinic, its sites and the person. A name of two or more words that stands in it
    whole is refused as well, whatever is around it.
    """
    left = squeezed(password)
    phrases = [name.split() for name in names if name.strip()]
    if any(len(words) > 1 and squeezed("".join(words)) in left for words in phrases):
        return True
    parts = {squeezed(word) for words in phrases for word in words} | set(WORDS_OF_ALL)
    found = False
    for part in sorted(parts, key=len, reverse=True):
        if len(part) > 2 and part in left:
            left, found = left.replace(part, ""), True
    letters = sum(not sign.isdigit() for sign in left)
    return found and letters < LEFT
