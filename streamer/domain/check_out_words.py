"""Which texts check a station out, and of what. Pure."""

from streamer.config import RegionView


def words_of_groups(view: RegionView) -> dict[str, frozenset[str]]:
    """The words that check out of each group, in capitals."""
    return {
        group: frozenset(word.upper() for word in policy.check_out_words)
        for group, policy in view.policies.items()
    }


class CheckOutWords:
    """Of one version of a region file; made once, asked for every over with a text."""

    def __init__(self, view: RegionView) -> None:
        self._of_group = words_of_groups(view)
        self._of_any = view.check_out_words

    def said(self, text: str | None, group: str) -> tuple[str, str]:
        """The group that a text checks out of, or the word if it is said to none; '' where not.

        `group` is the group addressed, '' if none was.
        """
        word = text.strip().upper() if text else ""
        if not word:
            return "", ""
        if group:
            return (group, "") if word in self._of_group.get(group, ()) else ("", "")
        return ("", word) if word in self._of_any else ("", "")
