"""What people have ordered for the whole region, as this worker last read it: duties that run, and
identities that are accepted though they are no call signs."""

import structlog

from streamer.contract.published import Duty
from streamer.domain.callsign import CallSignRules
from streamer.domain.duty import running
from streamer.state.ordered import duties_from
from streamer.state.store import Store

log = structlog.get_logger()


class RegionOrders:
    """Read again with `refresh`, about once a second; raises StoreUnavailable."""

    def __init__(self, store: Store) -> None:
        self._store = store
        self._texts: tuple[dict[str, str], dict[str, str]] | None = None
        self.duties: tuple[Duty, ...] = ()
        self.rules: CallSignRules = store.view.call_sign_rules()

    def refresh(self, now_ms: int) -> bool:
        """Whether anything has changed. Whatever the duties mark is looked at again, by whichever
        worker reads of it first: that needs no leader and may be done twice."""
        texts = self._store.duties(), self._store.accepted()
        if texts == self._texts:
            return False
        duties, known = running(duties_from(texts[0])), self.duties
        self.duties = duties
        self.rules = rules_with(self._store, texts[1])
        if {d.id for d in duties} != {d.id for d in known}:
            groups = {g for d in (*duties, *known) for g in d.groups} & set(self._store.view.groups)
            owners = self._store.alert_owners()
            self._store.wake(sorted({f"g/{name}" for name in groups} | set(owners)), now_ms)
        # Noted last: should waking fail, it is tried again.
        self._texts = texts
        return True

    def forget(self) -> None:
        """Another region file: what follows from it is worked out anew."""
        self._texts = None


def rules_with(store: Store, accepted: dict[str, str]) -> CallSignRules:
    """The region's, with the identities that people accepted; without those that cannot be used, so
    that one bad entry does not undo all."""
    good = []
    for call in sorted(accepted):
        try:
            store.view.call_sign_rules([call])
        except ValueError as error:
            log.error("an accepted identity cannot be used: left out", call=call, error=str(error))
        else:
            good.append(call)
    return store.view.call_sign_rules(good)
