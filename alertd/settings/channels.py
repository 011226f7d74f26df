"""Ways out besides webhooks and folders, as the settings file writes them: mail, gateways to phones, the terminal."""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from pydantic import Field

from alertd.delivery.channels.email import Mailbox
from alertd.errors import ConfigError
from alertd.sources.files.toml import FileModel

_Audiences = list[Literal["driver", "dispatcher", "fleet"]]
_NAME = r"^[A-Za-z0-9_-]+$"
ReadSecret = Callable[[str, str], str]  # (field of the settings file, file's name) to its contents


class MailFile(FileModel):
    name: str = Field(min_length=1, pattern=_NAME, examples=["office"])
    host: str = Field(min_length=1, examples=["mail.fleet.example"])
    port: int = Field(587, ge=1, le=65535)
    security: Literal["starttls", "tls", "none"] = "starttls"
    user: str = ""
    password_file: str = ""
    sender: str = Field(examples=["alertd@fleet.example"])
    recipients: list[str] = Field(min_length=1, examples=[["dispatch@fleet.example"]])
    audiences: _Audiences = Field(min_length=1, examples=[["dispatcher"]])

    def to_core(self, field: str, read_secret: ReadSecret) -> Mailbox:
        return Mailbox(
            name=self.name,
            host=self.host,
            port=self.port,
            sender=self.sender,
            recipients=tuple(self.recipients),
            security=self.security,
            user=self.user,
            password=read_secret(f"{field}.password_file", self.password_file),
        )


class GatewayFile(FileModel):
    name: str = Field(min_length=1, pattern=_NAME, examples=["texts"])
    url_file: str = Field(min_length=1, examples=["secrets/texts.txt"])
    sms: bool = True
    audiences: _Audiences = Field(min_length=1, examples=[["driver"]])

    def to_core(self, where: str, field: str, read_secret: ReadSecret) -> "Gateway":
        url = read_secret(f"{field}.url_file", self.url_file)
        if len(url.split()) != 1:
            raise ConfigError(where, f"{field}.url_file", "does not hold one URL", "write one URL on one line there")
        return Gateway(name=self.name, url=url, sms=self.sms)


class ConsoleFile(FileModel):
    name: str = Field(min_length=1, pattern=_NAME, examples=["terminal"])
    audiences: _Audiences = Field(min_length=1, examples=[["driver"]])


@dataclass(frozen=True, slots=True, kw_only=True)
class Gateway:
    """`sms`: texts are held to what a phone is billed as two messages."""

    name: str
    url: str
    sms: bool
