"""Which browser a sign-in comes from, in words its owner knows again."""

# the first word that fits: several browsers name others as well, for compatibility
BROWSERS = (
    ("Edg", "Edge"),
    ("OPR/", "Opera"),
    ("Firefox/", "Firefox"),
    ("Chrom", "Chrome"),
    ("Safari/", "Safari"),
)
MACHINES = (
    ("Android", "Android"),
    ("iPhone", "iPhone"),
    ("iPad", "iPad"),
    ("Windows", "Windows"),
    ("Mac OS", "Mac"),
    ("CrOS", "Chromebook"),
    ("Linux", "Linux"),
)


def browser_words(user_agent: str) -> str:
    """Browser and machine, as in "Firefox on Windows"; "another program" where none fits.

    user_agent: the header of that name (RFC 9110, 10.1.5). Source of the words in it: from memory.
    """
    browser = _first(BROWSERS, user_agent)
    machine = _first(MACHINES, user_agent)
    if not browser:
        return f"another program on {machine}" if machine else "another program"
    return f"{browser} on {machine}" if machine else browser


def _first(words: tuple[tuple[str, str], ...], text: str) -> str:
    return next((said for word, said in words if word in text), "")
