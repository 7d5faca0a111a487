"""Somebody who meets a page for the first time: knows what controls are and what they are called.

Controls are found as a screen reader finds them, by role and name in the accessibility tree, and used
by mouse and keys at their place on the screen, never by identifier or script. What is done is counted.
"""

from __future__ import annotations

from typing import Any


class Stranger:
    """Uses a page that is open in a browser.

    Attributes
    ----------
    actions : int
        What was pressed or written so far.
    """

    def __init__(self, browser: Any) -> None:
        self.browser = browser
        self.actions = 0

    def find(self, role: str, name: str = "", **properties: Any) -> int:
        """Find the first control of a role whose name holds some words, as a node of the page."""
        seen = []
        for node in self.browser.call("Accessibility.getFullAXTree")["nodes"]:
            called = str(node.get("name", {}).get("value", ""))
            if node["ignored"] or node.get("role", {}).get("value") != role:
                continue
            seen.append(called)
            has = {p["name"]: p["value"].get("value") for p in node.get("properties", [])}
            if name in called and all(key in has for key in properties):
                return int(node["backendDOMNodeId"])
        raise AssertionError(f"no {role} is called {name!r}, only {seen}")

    def press(self, role: str, name: str = "", **properties: Any) -> None:
        """Press it with the mouse where it is seen."""
        self.actions += 1
        node = self.find(role, name, **properties)
        self.browser.call("DOM.scrollIntoViewIfNeeded", backendNodeId=node)
        x0, y0, x1, _, _, y1, *_ = self.browser.call("DOM.getBoxModel", backendNodeId=node)[
            "model"
        ]["content"]
        self.browser.click((x0 + x1) / 2.0, (y0 + y1) / 2.0)
        self._settle()

    def write(self, role: str, name: str, text: str) -> None:
        """Write into it, in place of what stands there, and end with Enter."""
        self.actions += 1
        self.browser.call("DOM.focus", backendNodeId=self.find(role, name))
        self.browser.run("document.activeElement.select()")
        self.browser.call("Input.insertText", text=text)
        for kind in ("keyDown", "keyUp"):
            self.browser.call(
                "Input.dispatchKeyEvent", type=kind, key="Enter", code="Enter", text="\r",
                windowsVirtualKeyCode=13,
            )  # fmt: skip
        self._settle()

    def choose(self, role: str, name: str, option: str) -> None:
        """Choose one of several by its words."""
        self.actions += 1
        self.browser.call("DOM.focus", backendNodeId=self.find(role, name))
        chosen = self.browser.run(
            "(() => { const box = document.activeElement, "
            f"to = [...box.options].find((one) => one.text === {option!r}); if (!to) return false; "
            "box.value = to.value; box.dispatchEvent(new Event('change')); return true; })()"
        )
        assert chosen, option
        self._settle()

    def read(self, role: str, name: str = "") -> str:
        """Read what stands in it."""
        node = self.find(role, name)
        found = self.browser.call("DOM.resolveNode", backendNodeId=node)["object"]["objectId"]
        answer = self.browser.call(
            "Runtime.callFunctionOn",
            objectId=found,
            functionDeclaration="function() { return this.innerText; }",
            returnByValue=True,
        )
        return str(answer["result"]["value"])

    def _settle(self) -> None:
        self.browser.run("new Promise((done) => setTimeout(done, 50))")
        self.browser.wait("!busy && !asking")
