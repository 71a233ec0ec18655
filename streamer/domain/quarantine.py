"""The name under which an identity that is no call sign is kept. Pure."""


def quarantine_name(raw: str) -> str:
    """An identity as it was heard (`Rejected.raw`), made a key.

    Upper case, blanks written `_`, at most 32 characters, never empty.
    """
    return raw.strip().upper().replace(" ", "_")[:32] or "_"
