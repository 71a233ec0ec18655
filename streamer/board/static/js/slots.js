// Which hidden pages may keep their connection. A browser opens at most six to one server by
// HTTP/1.1, for all its pages together: many forgotten ones would leave none for the one that is
// looked at. So only a few hidden pages go on; the others close and come back when they are shown.

const SLOTS = 3;

/** Take one of the slots, if one is free: a function that gives it back, else null. */
export async function takeSlot() {
  if (!navigator.locks) return null; // only where the page came by TLS or from this machine
  for (let n = 0; n < SLOTS; n += 1) {
    const free = await tryLock(`board-feed-${n}`);
    if (free) return free;
  }
  return null;
}

/** A lock is held for as long as the promise stands that its callback returns. */
function tryLock(name) {
  return new Promise((taken) => {
    navigator.locks.request(name, { ifAvailable: true }, (lock) =>
      lock ? new Promise((free) => taken(free)) : taken(null),
    );
  });
}
