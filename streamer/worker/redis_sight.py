"""What a worker says of its Redis: in the log, in /healthz, in its metrics."""

from collections.abc import Callable

import structlog

from streamer.state.base import unavailable_advice
from streamer.state.replicas import ReplicasMissing
from streamer.state.store import Store, StoreUnavailable
from streamer.worker.health import Health
from streamer.worker.metrics import Metrics

log = structlog.get_logger()


class RedisSight:
    """For one worker."""

    def __init__(self, store: Store, metrics: Metrics, health: Health) -> None:
        self._store = store
        self._metrics = metrics
        self._health = health
        self._told = ""
        metrics.redis_replicas_missing.set_function(lambda: store.replicas.missing)

    def prepared(self) -> None:
        """Redis is there and fit: say what could be better. Raises StoreUnavailable."""
        for advice in self._store.advice():
            log.warning("redis could be set up better", advice=advice)
        self.well()

    def well(self) -> None:
        """It has done what it was asked."""
        missing = self._store.replicas.trouble
        self._health.redis = f"answers; {missing}" if missing else "answers"
        self._health.redis_up = True
        self._metrics.redis_up.set(1)
        self._tell(missing)

    def unless_away(self, do: Callable[[], None]) -> None:
        """Do what can be left out when Redis does not answer."""
        try:
            do()
        except StoreUnavailable as error:
            self.trouble(error)

    def trouble(self, error: Exception) -> None:
        """It has not."""
        self._health.redis, self._health.redis_up = str(error)[:200], False
        self._metrics.redis_up.set(0)
        self._metrics.redis_errors.inc()
        if isinstance(error.__cause__, ReplicasMissing):
            log.warning("too few replicas: holding", error=str(error)[:300])
            return
        advice = unavailable_advice(error)
        log.warning("redis does not answer: holding", error=str(error)[:300], advice=advice)

    def _tell(self, missing: str) -> None:
        """Once a change."""
        if missing == self._told:
            return
        self._told = missing
        if missing:
            hint = "what is accepted now is lost if that node is lost: start its replicas"
            log.error("redis without its replicas", nodes=missing, hint=hint)
        else:
            log.info("redis has its replicas again")
