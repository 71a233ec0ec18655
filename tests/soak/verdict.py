"""What is said at the end of a soak, and whether it is well."""

from typing import Any, Final

from tests.integration.rig import without_clock
from tests.servers import wait_until
from tests.soak import memory
from tests.soak.gateways import CLOCK
from tests.soak.run import STEADY, Soak, duplicates, journalled, short
from tests.soak.shadow import subjects

SETTLE_S: Final = 180


def faults(soak: Soak) -> list[str]:
    """Waits until all has come to rest; then what is lost, counted twice or different, in words."""
    found = []
    try:
        wait_until(soak.settled, "every event to be counted", SETTLE_S)
    except BaseException as error:
        if not type(error).__name__ == "Failed":
            raise
        found.append(str(error))
    for gateway in soak.gateways:
        counted, made = soak.counts(gateway.name), dict(gateway.made)
        if counted != made:
            found.append(f"{gateway.name}: {made} were made, {counted} are counted")
        if missing := soak.store.gateway(gateway.name).missing:
            found.append(f"{gateway.name}: {missing} sequence numbers are still missing")
    for agent in soak.followed:
        twice = list(duplicates(agent.overs))
        if twice or len(agent.overs) != agent.given:
            found.append(
                f"{agent.name}: {agent.given} lines were given, its spool numbered "
                f"{len(agent.overs)} of them, twice: {twice[:5]}"
            )
    garbage = sum(gateway.garbage for gateway in soak.played)
    refused = sum(int(n) for n in soak.client.hgetall(soak.store.keys.refusals()).values())
    if refused < garbage:
        found.append(f"{garbage} messages were garbage, {refused} refused")
    return found + in_the_journal(soak) + differences(soak)


def in_the_journal(soak: Soak) -> list[str]:
    """Whether every event is in a journal of one of the workers."""
    noted: dict[str, int] = {}
    for (gateway, _boot), numbers in journalled(soak.journal).items():
        noted[gateway] = noted.get(gateway, 0) + len(numbers)
    return [
        f"{g.name}: {noted.get(g.name, 0)} events in the journals, {soak.sent(g)} were made"
        for g in soak.gateways
        if noted.get(g.name, 0) != soak.sent(g)
    ]


def differences(soak: Soak) -> list[str]:
    """Between the state and that of the worker that nobody disturbed."""
    soak.shadow.end()
    soak.store.wake(subjects(soak.view), CLOCK.now_ms())
    seen: list[dict[str, Any]] = [{}, {}]

    def same() -> bool:
        seen[0] = state_of(without_clock(soak.client, soak.view.name))
        seen[1] = state_of(soak.shadow.state(soak.view, soak.client))
        return seen[0] == seen[1]

    try:
        wait_until(same, "the same state", 30)
    except BaseException as error:
        if not type(error).__name__ == "Failed":
            raise
    return _told(*seen)


def state_of(whole: dict[str, Any]) -> dict[str, Any]:
    """Without what was refused: the undisturbed worker was not sent it."""
    return {
        key: content for key, content in whole.items()
        if memory.kind_of(key) not in ("refused", "refusals")
    }  # fmt: skip


def _told(ours: dict[str, Any], theirs: dict[str, Any]) -> list[str]:
    words = [f"{key}: {short(ours[key])}, which the undisturbed worker has not"
             for key in sorted(set(ours) - set(theirs))]  # fmt: skip
    words += [f"{key} is missing: {short(theirs[key])}" for key in sorted(set(theirs) - set(ours))]
    for key in sorted(set(ours) & set(theirs)):
        if ours[key] == theirs[key]:
            continue
        if not isinstance(ours[key], dict):
            words.append(f"{key}: {short(ours[key])} instead of {short(theirs[key])}")
            continue
        words += [
            f"{key} {name}: {short(ours[key].get(name))} instead of {short(theirs[key].get(name))}"
            for name in sorted({*ours[key], *theirs[key]})
            if ours[key].get(name) != theirs[key].get(name)
        ]
    return words


def table(soak: Soak) -> tuple[list[str], list[str]]:
    """Lines of what each process and kind of key took, and which rise more than is explained."""
    warm_s = soak.plan.minutes * 60 * memory.WARM_UP_PCT / 100
    judged = soak.plan.minutes >= memory.JUDGED_FROM_MIN
    lines = [f"{'process':<12} {'lives':>5} {'MB first':>9} {'last':>7} {'most':>7} "
             f"{'MB/h':>18} {'fds':>9} {'threads':>8}"]  # fmt: skip
    rising = []
    for name, lives in soak.sampler.lives.items():
        longest = max(lives, key=lambda life: len(life.at_s))
        if not longest.at_s:
            continue
        steady = name in STEADY
        from_s = longest.at_s[0] + warm_s if steady else longest.at_s[0]
        found = memory.slope(longest.at_s, longest.mb, from_s) if steady else None
        lines.append(
            f"{name:<12} {len(lives):>5} {longest.mb[0]:>9.1f} {longest.mb[-1]:>7.1f} "
            f"{max(longest.mb):>7.1f} {str(found or '-') if steady else '(killed)':>18} "
            f"{min(longest.fds):>4}-{max(longest.fds):<4} "
            f"{min(longest.threads):>3}-{max(longest.threads):<4}"
        )
        if judged and found is not None and found.beyond(memory.MOST_MB_PER_H):
            rising.append(f"{name} rises by {found} MB/h, more than {memory.MOST_MB_PER_H:g}")
        if judged and steady and _creeps(longest.fds, longest.at_s, warm_s):
            rising.append(f"{name}: ever more file descriptors, {max(longest.fds)} at last")
        if judged and steady and _creeps(longest.threads, longest.at_s, warm_s):
            rising.append(f"{name}: ever more threads, {max(longest.threads)} at last")
    lines += ["", f"{'Redis keys':<12} {'MB first':>9} {'last':>9} {'MB/h':>18}"]
    for kind, sizes in sorted(soak.sampler.keys.items(), key=lambda item: -item[1][-1]):
        found = memory.slope(soak.sampler.keys_at_s, sizes, warm_s)
        lines.append(f"{kind:<12} {sizes[0]:>9.3f} {sizes[-1]:>9.3f} {found or '-'!s:>18}")
        if judged and found is not None and found.beyond(memory.MOST_KEYS_MB_PER_H):
            rising.append(f"Redis keys {kind} rise by {found} MB/h")
    return lines, rising


def _creeps(numbers: list[int], at_s: list[float], warm_s: float) -> bool:
    """Whether the least of the last quarter is above the most of the quarter after the warm-up."""
    after = [n for n, t in zip(numbers, at_s, strict=True) if t >= at_s[0] + warm_s]
    quarter = len(after) // 4
    return quarter > 0 and min(after[-quarter:]) > max(after[:quarter])
