"""Why there is no connection, in words that say what to do."""

import ssl

from streamer.mqtt.settings import BrokerSettings


class OtherVersion(Exception):
    """The broker seems to speak another version of MQTT; `hung_up` if it ended the connection."""

    def __init__(self, hung_up: bool = False) -> None:
        super().__init__()
        self.hung_up = hung_up


def cannot_connect(where: str, error: Exception) -> str:
    """For what happened before the first packet. `where` names the broker."""
    hint = "is the broker running, and are host and port right?"
    if isinstance(error, ssl.SSLCertVerificationError):
        hint = "check ca_file, host and this machine's clock"
    elif isinstance(error, ssl.SSLError):
        hint = "does the broker take this certificate, and is the port one for TLS?"
    return f"{where}: {error}; {hint}"


def no_answer(where: str, settings: BrokerSettings, hung_up: bool) -> str:
    """For a broker that does not answer CONNECT. With TLS 1.3 a client learns only now that its
    certificate was not taken, and often nothing but that the connection has ended."""
    if hung_up and settings.tls is not None and settings.tls.cert_file is not None:
        shown = settings.tls.cert_file
        return (
            f"{where}: hung up without an answer: it does not take {str(shown)!r}, which may have "
            "ended, been revoked or be of another authority; ask for a new one"
        )
    return (
        f"{where}: the broker does not speak MQTT {settings.protocol}; "
        'set protocol = "auto" in [broker]'
    )
