"""Pages as a browser without a script sees them: their forms, what would be sent, their words."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser


@dataclass
class Control:
    """An input, a button or a select of a form; ``choices`` are the values of a select or of radio buttons."""

    name: str
    kind: str
    value: str
    checked: bool = True
    choices: list[str] = field(default_factory=list)


@dataclass
class FormSeen:
    """A form with its controls in order."""

    action: str
    method: str
    id: str
    controls: list[Control] = field(default_factory=list)

    def sent(self, button: tuple[str, str] | None = None, **entries: str) -> list[tuple[str, str]]:
        """What a browser sends: all that stands in it, what a person changes, and the button that is pressed."""
        known = {control.name for control in self.controls}
        assert not set(entries) - known, f"no such field: {set(entries) - known} of {known}"
        told = []
        for control in self.controls:
            if control.kind == "button" or not control.name:
                continue
            if control.name in entries:
                if (control.name, entries[control.name]) not in told:
                    told.append((control.name, entries[control.name]))
            elif control.checked:
                told.append((control.name, control.value))
        if button is not None:
            there = [(c.name, c.value) for c in self.controls if c.kind == "button"]
            assert button in there, f"no such button: {button} of {there}"
            told.append(button)
        return told

    def buttons(self) -> list[tuple[str, str]]:
        """Names and values of its buttons."""
        return [(control.name, control.value) for control in self.controls if control.kind == "button"]

    def fields(self) -> list[str]:
        """Names of the fields that a person types into."""
        return [control.name for control in self.controls if control.kind == "text"]


class PageSeen(HTMLParser):
    """A page: its forms, links, words, and whatever a content policy would forbid."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.text = text
        self.forms: list[FormSeen] = []
        self.links: list[str] = []
        self.elements: list[tuple[str, dict[str, str]]] = []
        self._words: list[str] = []
        self._open: FormSeen | None = None
        self._select: Control | None = None
        self._option = False
        self.feed(text)
        self.close()

    @property
    def words(self) -> str:
        """All words of the page in one line."""
        return " ".join(" ".join(self._words).split())

    def form(self, ending: str) -> FormSeen:
        """The form whose address ends so."""
        found = [form for form in self.forms if form.action.endswith(ending)]
        assert found, f"no form for {ending} among {[form.action for form in self.forms]}"
        return found[0]

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        self.elements.append((tag, given))
        if tag == "form":
            self._open = FormSeen(given.get("action", ""), given.get("method", "get"), given.get("id", ""))
            self.forms.append(self._open)
        elif tag == "a" and "href" in given:
            self.links.append(given["href"])
        elif tag in ("input", "button", "select"):
            self._control(tag, given)
        elif tag == "option" and self._select is not None:
            self._option = "value" not in given
            if "value" in given:
                self._choice(given["value"], "selected" in given)
            self._chosen = "selected" in given

    def _control(self, tag: str, given: dict[str, str]) -> None:
        named = given.get("form")
        form = next((one for one in self.forms if named and one.id == named), self._open)
        if form is None and named:
            form = FormSeen("", "", named)  # stands before its form; joined when that opens
            self.forms.append(form)
        assert form is not None, given
        if "disabled" in given:
            return  # neither pressed nor sent
        kind = "button" if tag == "button" else "select" if tag == "select" else given.get("type", "text")
        ticked = kind in ("checkbox", "radio")
        value = given.get("value", "on" if ticked else "")
        shown = "text" if kind in ("text", "search", "date", "password") else kind
        control = Control(given.get("name", ""), shown, value, not ticked or "checked" in given)
        form.controls.append(control)
        if tag == "select":
            control.value = ""
            self._select = control

    def _choice(self, value: str, chosen: bool) -> None:
        assert self._select is not None
        if chosen or not self._select.choices:
            self._select.value = value
        self._select.choices.append(value)

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self._open = None
        elif tag == "select":
            self._select = None

    def handle_data(self, data: str) -> None:
        self._words.append(data)
        if self._option and self._select is not None and data.strip():
            self._choice(data.strip(), self._chosen)
            self._option = False
