"""Dates as the pages write and read them; the first input format is the one a form prints."""

DATE_FORMAT = "j M Y"
SHORT_DATE_FORMAT = "j M Y"
DATETIME_FORMAT = "j M Y, H:i"
TIME_FORMAT = "H:i"
DATE_INPUT_FORMATS = [
    "%d %b %Y",
    "%Y-%m-%d",
    "%d.%m.%Y",
    "%d/%m/%Y",
    "%d-%m-%Y",
    "%d %B %Y",
    "%d.%m.%y",
    "%d/%m/%y",
]
TIME_INPUT_FORMATS = ["%H:%M", "%H.%M", "%H:%M:%S", "%H"]
