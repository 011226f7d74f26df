"""What a mail has besides its text: HTML and attachments."""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Attachment:
    """`content_id` of a picture that the HTML shows in place as `cid:<content_id>`; "" for a file beside the text."""

    filename: str
    media_type: str
    content: bytes
    content_id: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class EmailContent:
    """What a mail has besides its text."""

    html: str = ""
    attachments: tuple[Attachment, ...] = ()
