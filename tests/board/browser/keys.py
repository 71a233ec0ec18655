"""A person without a mouse: Tab, arrows, Enter, Space, Escape and typing, nothing else."""

from typing import Final

from playwright.sync_api import Page

MOST_STEPS: Final = 200
FOCUSED: Final = """() => {
    const node = document.activeElement;
    if (!node || node === document.body) return null;
    const label = node.getAttribute("aria-label") || node.labels?.[0]?.textContent
        || node.textContent || node.value || "";
    const box = node.getBoundingClientRect();
    const style = getComputedStyle(node);
    const ring = style.outlineStyle !== "none" && parseFloat(style.outlineWidth) > 0;
    return {
        role: node.getAttribute("role") || node.tagName.toLowerCase(),
        name: label.trim().replace(/\\s+/g, " "),
        seen: ring || style.boxShadow !== "none",
        inside: box.bottom > 0 && box.top < innerHeight && box.width > 0,
    };
}"""


class Keyboard:
    """Hands on the keyboard of a page; every stop of the focus must be to be seen."""

    def __init__(self, page: Page) -> None:
        self._page = page
        self.unseen: list[str] = []
        """Stops at which the focus was not to be seen (WCAG 2.2: 2.4.7, 2.4.11)."""

    def press(self, key: str) -> None:
        self._page.keyboard.press(key)

    def type(self, text: str) -> None:
        self._page.keyboard.type(text)

    def focus(self) -> tuple[str, str] | None:
        """(role or tag, name) of what has the focus."""
        found = self._page.evaluate(FOCUSED)
        if found is None:
            return None
        what = f"{found['role']} {found['name'][:60]}"
        if not (found["seen"] and found["inside"]):
            self.unseen.append(what)
        return str(found["role"]), str(found["name"])

    def tab_to(self, name: str, role: str = "") -> None:
        """Step on until the focus is on what has this in its name, and this role or tag."""
        passed = []
        for _ in range(MOST_STEPS):
            self.press("Tab")
            here = self.focus()
            if here is not None and name in here[1] and role in ("", here[0]):
                return
            passed.append(here)
        raise AssertionError(f"Tab does not lead to {name!r}, but by {passed}")
