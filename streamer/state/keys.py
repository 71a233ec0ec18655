"""Every Redis key of the project. A partition's keys share one hash tag, hence one slot."""

import zlib
from dataclasses import dataclass

PATH_LENGTH = 16
"""Newest overs kept of a station; a linger is exact while no more fall within it."""
CHECK_INS_KEPT = 8
"""Newest check-ins kept of a station and group, to know if it was a member when it left a place."""
RANGES_KEPT = 256
"""Ranges of sequence numbers that are read of a boot with each batch; the holes between older ones
are kept apart."""
HOLES_KEPT = 32_768
"""Holes kept apart of a gateway, some 150 bytes each; beyond it the oldest is given up as lost."""
BOOTS_KEPT = 8
"""Newest boots of a gateway that are still judged; events of older ones are no longer counted."""
SESSIONS_KEPT = 8
"""Newest connections kept of a gateway: older darkness behind it is forgotten."""
FLOODS_KEPT = 8
"""Newest floods kept of a gateway: in older ones a silence counts."""
FLIPS_KEPT = 6
"""Newest times kept at which a repeater went up or down."""
MARKS_KEPT = 6
"""Newest words kept of a repeater about carrying a group."""
LOG_KEPT = 10_000
"""Newest entries kept of each partition's log of what people ordered."""
GONE_KEPT_MS = 3_600_000
"""How long a topic is remembered from which something was taken back. Longer than a broker takes to
save what it retains (Mosquitto: half an hour unless told otherwise)."""
DEAD_LETTERS_KEPT = 1000
"""Newest parcels kept of a channel that could not be delivered."""
MAINTENANCE_KEPT = 200
"""Newest planned work kept after its end."""
DUTIES_KEPT = 200
"""Newest duties kept after their end."""
SENT_KEPT = 256
"""Newest forwardings kept of a group, to find loops in."""
HEARD_KEPT = 200
"""Stations kept of a repeater, those heard there last."""
BUCKET_MS = 300_000
"""What a repeater heard is summed up over so long; an hour holds whole buckets."""
HOUR_MS = 3_600_000
HISTORY_MS = 24 * HOUR_MS
"""How far back what a repeater heard can be read."""
PRESENCE_KEPT = 64
"""Newest grains of time kept of a station in which it began an over."""
EPOCH_MS = 14 * 24 * HOUR_MS
"""What is learned of a repeater is summed up over so long, counted from 1970."""
EPOCHS_KEPT = 6
"""Epochs kept of what was learned, beside the running one."""
CELLS_LEARNED = 4000
STATIONS_LEARNED = 400
"""Lines kept at most of a repeater and epoch, by cell and by station. Those that come first are
kept: a new cell or station beyond that is not begun. So, and only then, what is learned depends on
the order of the events; throwing lines out again would cost more than it tells."""
COUNTS = "#"
"""The field of what is learned of a repeater and epoch that says how many cells and stations it
has."""


@dataclass(frozen=True, slots=True)
class Keys:
    """The key names of one region."""

    region: str
    partitions: int

    def partition_of(self, name: str) -> int:
        """The partition of a station, group or gateway: CRC-32 of its name."""
        return zlib.crc32(name.encode()) % self.partitions

    def _key(self, partition: int | str, rest: str) -> str:
        return f"{{{self.region}:{partition}}}:{rest}"

    def station(self, station: str) -> str:
        return self._key(self.partition_of(station), f"station:{station}")

    def group(self, group: str) -> str:
        return self._key(self.partition_of(group), f"group:{group}")

    def sent(self, group: str) -> str:
        return self._key(self.partition_of(group), f"sent:{group}")

    def gateway(self, gateway: str) -> str:
        return self._key(self.partition_of(gateway), f"gateway:{gateway}")

    def history(self, gateway: str, hour: int) -> str:
        """Hash: port and bucket of that hour since 1970 -> sums of what the repeater heard."""
        return self._key(self.partition_of(gateway), f"history:{gateway}:{hour}")

    def heard(self, repeater: str) -> str:
        """Sorted set: station -> when it was last heard on the repeater, ms."""
        return self._key(self.partition_of(repeater.partition("/")[0]), f"heard:{repeater}")

    def learned(self, repeater: str, epoch: int) -> str:
        """Hash: '@station' or cell -> sums of what the repeater heard in that epoch since 1970."""
        gateway = repeater.partition("/")[0]
        return self._key(self.partition_of(gateway), f"learned:{repeater}:{epoch}")

    def holes(self, gateway: str) -> str:
        """Sorted set: boot, first and last number of each old hole in its sequences."""
        return self._key(self.partition_of(gateway), f"holes:{gateway}")

    def quarantine(self, gateway: str) -> str:
        return self._key(self.partition_of(gateway), f"quarantine:{gateway}")

    def quarantines(self) -> str:
        """A pattern that matches every gateway's quarantine; names follow the last colon."""
        return self._key("*", "quarantine:*")

    def heard_lists(self) -> str:
        """A pattern that matches every repeater's set of stations; names follow the last colon."""
        return self._key("*", "heard:*")

    def everything(self) -> str:
        """A pattern that matches every key of the region."""
        return self._key("*", "*")

    def live(self, partition: int) -> str:
        """Hash: gateway -> its newest state."""
        return self._key(partition, "live")

    def due(self, partition: int | str) -> str:
        """Sorted set: subject -> when it must be looked at, ms."""
        return self._key(partition, "due")

    def tell(self, partition: int) -> str:
        """Sorted set: station whose groups may not know its newest revision -> that revision."""
        return self._key(partition, "tell")

    def out(self, partition: int | str) -> str:
        """Sorted set: message to publish -> when somebody may take it up, ms."""
        return self._key(partition, "out")

    def published(self, partition: int | str) -> str:
        """Hash: message -> its newest content."""
        return self._key(partition, "published")

    def gone(self, partition: int | str) -> str:
        """Sorted set: topic that was taken back -> when, ms."""
        return self._key(partition, "gone")

    def alerts(self) -> str:
        """Hash: alert id -> the alert as published, of those that stand."""
        return self._key(ALERTS, "table")

    def found(self) -> str:
        """Hash: subject -> what is wrong with it."""
        return self._key(ALERTS, "found")

    def cases(self) -> str:
        """Hash: alert id -> what is remembered of that trouble."""
        return self._key(ALERTS, "cases")

    def maintenance(self) -> str:
        """Hash: id -> planned work."""
        return self._key(ALERTS, "maintenance")

    def waiting(self, channel: str) -> str:
        """List: notices that the channel is to be told, oldest first."""
        return self._key(ALERTS, f"waiting:{channel}")

    def parcel(self, channel: str) -> str:
        """Hash: the parcel that is being sent."""
        return self._key(ALERTS, f"parcel:{channel}")

    def dead_letters(self, channel: str) -> str:
        """List: parcels that were given up, newest first."""
        return self._key(ALERTS, f"dead:{channel}")

    def senders(self) -> str:
        """Hash: what a channel was last sent beside its parcels."""
        return self._key(ALERTS, "senders")

    def ears(self) -> str:
        """Hash: worker -> when it last said that it lives, and whether it hears the broker."""
        return self._key(REGION, "ears")

    def duties(self) -> str:
        """Hash: duty id -> record."""
        return self._key(ALERTS, "duties")

    def rosters(self) -> str:
        """Hash: duty id -> who is expected at it."""
        return self._key(ALERTS, "rosters")

    def calls(self) -> str:
        """Hash: identity that is accepted though it is no call sign -> who accepted it."""
        return self._key(REGION, "calls")

    def log(self, partition: int | str) -> str:
        """List: what people ordered, newest first. One a partition, so that an act and its entry
        are written in one step."""
        return self._key(partition, "log")

    def refused(self) -> str:
        """List: newest refusals first."""
        return self._key(REGION, "refused")

    def refusals(self) -> str:
        """Hash: reason -> count."""
        return self._key(REGION, "refusals")

    def air(self, hour: int) -> str:
        """Hash: sums of the time on the air that overs to groups took, begun in that hour since
        1970."""
        return self._key(REGION, f"air:{hour}")

    def meta(self) -> str:
        """Hash: what this state was made with."""
        return self._key(REGION, "meta")

    def workers(self) -> str:
        """Sorted set: worker -> when it last said that it lives, ms."""
        return self._key(REGION, "workers")


ALERTS = "alerts"
DESK = "desk"
"""The one subject of the alerts' own deadlines."""
REGION = "region"
