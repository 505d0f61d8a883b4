"""What keeps unsent answers unreadable on a device, and finds their record again.

A page seals what waits (AES-GCM in the browser) under a key that follows from the signed-in
person and the page's address. The key is handed to that person only and never stored there.
"""

import base64
import json

from cryptography.fernet import InvalidToken

from clinic.models import Staff
from clinic.sealing import keyed, seal

KEY, SLOT, PERSON, TICKET = "unsent key", "unsent slot", "person", "unsent ticket"
SHOWN = "page shown"


def key_of(staff: Staff, address: str) -> str:
    """The AES-256 key of this person's unsent answers on one page, in base64."""
    return base64.b64encode(keyed(KEY, staff.pk, address)).decode()


def slot_of(staff: Staff, address: str) -> str:
    """The name under which a browser files them; it tells neither person nor record."""
    return keyed(SLOT, staff.pk, address).hex()[:32]


def person_of(staff: Staff) -> str:
    """What a page says about whose it is; a save of somebody else is refused by it."""
    return keyed(PERSON, staff.pk).hex()[:32]


def shown_to(staff: Staff, address: str) -> str:
    """What only the page itself carries: proof that it was shown to this person."""
    return keyed(SHOWN, staff.pk, address).hex()


def ticket_of(staff: Staff, address: str) -> str:
    """Sealed words that only the server reads: whose answers wait, and on which page."""
    return seal(TICKET).encrypt(json.dumps([staff.pk, address]).encode()).decode()


def address_in(ticket: str, staff: Staff) -> str:
    """The page of a ticket if it is this person's, else empty."""
    try:
        owner, address = json.loads(seal(TICKET).decrypt(ticket.encode()))
    except (InvalidToken, ValueError):
        return ""
    return str(address) if owner == staff.pk else ""
