"""One event, one line: nothing that somebody sends can look like a line of the log."""

import logging


def escaped(text: str) -> str:
    """The text with line breaks, escape codes and other signs that do not print written out."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode("ascii")
        for sign in text
    )


class OneLine(logging.Formatter):
    """The message on one line; a traceback below it, every line of it marked."""

    def formatMessage(self, record: logging.LogRecord) -> str:  # noqa: N802  # the parent's name
        return escaped(super().formatMessage(record))

    def formatException(self, ei: object) -> str:  # noqa: N802  # the parent's name
        text = super().formatException(ei)  # type: ignore[arg-type]
        return "\n".join(f"  | {escaped(line)}" for line in text.split("\n"))
