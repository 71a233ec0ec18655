"""How to reach a broker. Passwords come from a file or the environment, never from arguments."""

import os
import re
import ssl
from pathlib import Path
from typing import Annotated, Literal
from urllib.parse import urlsplit

from pydantic import BaseModel, ConfigDict, Field, SecretStr, model_validator

from streamer.file_faults import cannot_read

PASSWORD_VARIABLE = "STREAMER_MQTT_PASSWORD"  # nosec B105 # a variable's name
SHARE_VARIABLE = "STREAMER_SHARE"


class TlsSettings(BaseModel):
    """TLS files; without `ca_file` the system's authorities are trusted."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    ca_file: Path | None = None
    cert_file: Path | None = None
    key_file: Path | None = None

    @model_validator(mode="after")
    def _pair(self) -> "TlsSettings":
        if (self.cert_file is None) != (self.key_file is None):
            raise ValueError("cert_file and key_file go together: give both or neither")
        return self

    def context(self) -> ssl.SSLContext:
        """A client context, TLS 1.2 or newer; raises OSError, naming the file that cannot be read
        (the library does not)."""
        for name in ("ca_file", "cert_file", "key_file"):
            path: Path | None = getattr(self, name)
            if path is None:
                continue
            try:
                path.open("rb").close()
            except OSError as error:
                raise OSError(cannot_read(name, path, error)) from error
        context = ssl.create_default_context(cafile=self.ca_file)
        context.minimum_version = ssl.TLSVersion.TLSv1_2
        if self.cert_file is not None:
            context.load_cert_chain(self.cert_file, self.key_file)
        return context


class BrokerSettings(BaseModel):
    """The `[broker]` table of an agent's or a region's file."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    host: str = "127.0.0.1"
    port: Annotated[int, Field(ge=1, le=65_535)] = 1883
    protocol: Literal["auto", "5", "3.1.1"] = Field(
        "auto", description="auto tries MQTT 5 and falls back to 3.1.1"
    )
    username: str | None = None
    password_file: Path | None = Field(
        None, description=f"a file with the password alone; else ${PASSWORD_VARIABLE} is read"
    )
    tls: TlsSettings | None = None
    keepalive_s: Annotated[int, Field(ge=5, le=3600)] = 30
    connect_timeout_s: Annotated[float, Field(gt=0, le=120)] = 5.0

    @property
    def shows_certificate(self) -> bool:
        """Whether the broker is shown a certificate of ours."""
        return self.tls is not None and self.tls.cert_file is not None

    def password(self) -> SecretStr | None:
        """The password, read anew at each connection so that a rotated file takes effect.

        Raises OSError, with what to do, when the file cannot be read.
        """
        if self.password_file is not None:
            try:
                return SecretStr(self.password_file.read_text().strip())
            except OSError as error:
                raise OSError(cannot_read("password_file", self.password_file, error)) from error
        value = os.environ.get(PASSWORD_VARIABLE)
        return SecretStr(value) if value else None


class WorkersBroker(BrokerSettings):
    """The `[broker]` table of a region's file."""

    share_file: Path | None = Field(
        None,
        description="a file with the name of the workers' share alone; else "
        f"${SHARE_VARIABLE} is read",
    )

    def share(self) -> str | None:
        """The name of the share, a secret: Mosquitto lets whoever knows it join, and what is dealt
        to a stranger is lost. None if none is given.

        Raises OSError, with what to do, and ValueError, never showing the name.
        """
        name = os.environ.get(SHARE_VARIABLE)
        if self.share_file is not None:
            try:
                name = self.share_file.read_text("utf-8").strip()
            except OSError as error:
                raise OSError(cannot_read("share_file", self.share_file, error)) from error
        if name and not re.fullmatch(r"[0-9A-Za-z_-]{1,64}", name):
            place = self.share_file or f"${SHARE_VARIABLE}"
            raise ValueError(f"{place}: must hold 1 to 64 of A-Z, a-z, 0-9, _ and -, alone")
        return name or None


def broker_from_url(url: str) -> BrokerSettings:
    """`mqtt://[user@]host[:port]` or `mqtts://...`; raises ValueError with what is wrong."""
    parts = urlsplit(url if "://" in url else f"mqtt://{url}")
    if parts.password is not None:  # before anything that would show the address
        raise ValueError(
            f"broker address for {parts.hostname}: leave the password out and put it in "
            f"${PASSWORD_VARIABLE} or in a password file"
        )
    shown = url.rpartition("@")[2]  # what stands before it may be meant as a password
    if parts.scheme not in ("mqtt", "mqtts"):
        raise ValueError(f"broker address {shown!r}: begins with mqtt:// or mqtts://")
    if not parts.hostname:
        raise ValueError(f"broker address {shown!r}: the host is missing")
    try:
        port = parts.port
    except ValueError:  # its own words show the part that is no number
        raise ValueError(f"broker address {shown!r}: the port must be 0 to 65535") from None
    secure = parts.scheme == "mqtts"
    return BrokerSettings(
        host=parts.hostname,
        port=port or (8883 if secure else 1883),
        username=parts.username,
        tls=TlsSettings() if secure else None,
    )
