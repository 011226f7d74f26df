"""The contact that is sent with each request, by which a weather service can reach who runs the program."""


def contact_problem(contact: str) -> str:
    """What keeps a text from being sent as a contact, and the remedy; "" for one that can be sent.

    A User-Agent is ASCII (RFC 9110, section 5.5: other octets are opaque).
    """
    if contact.isascii() and contact.isprintable():
        return ""
    return "has characters that no HTTP header carries; write plain ASCII letters"


def is_contact(contact: str) -> bool:
    """Whether it looks like an email address or a page, the two forms that weather services ask for."""
    name, _, host = contact.strip().rpartition("@")
    return " " not in contact.strip() and "." in host.strip(".") and (bool(name) or "@" not in contact)
