"""A real mail server (aiosmtpd) that keeps what it is sent."""

import email
import email.policy
from collections.abc import Iterator
from contextlib import contextmanager
from email.message import EmailMessage
from typing import Any

from aiosmtpd.controller import Controller

from tests.servers import free_port


class Mailbox:
    """Keeps the mails; refuses recipients in `refused`."""

    def __init__(self) -> None:
        self.mails: list[tuple[str, EmailMessage]] = []
        self.refused: set[str] = set()

    async def handle_RCPT(  # noqa: N802 - the library's name
        self, server: Any, session: Any, envelope: Any, address: str, options: Any
    ) -> str:
        if address in self.refused:
            return "550 no such mailbox"
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802
        mail = email.message_from_bytes(envelope.content, policy=email.policy.default)
        assert isinstance(mail, EmailMessage)
        self.mails += [(to, mail) for to in envelope.rcpt_tos]
        return "250 OK"


@contextmanager
def mail_server() -> Iterator[tuple[Mailbox, int]]:
    """The mailbox, and its port on 127.0.0.1."""
    box, port = Mailbox(), free_port()
    controller = Controller(box, hostname="127.0.0.1", port=port)
    controller.start()
    try:
        yield box, port
    finally:
        controller.stop()
