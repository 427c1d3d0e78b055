"""What the keys do, gathered from the views: as groups for the help, and as actions for the command line."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from textual.binding import BindingType
from textual.dom import DOMNode

from .command_page import Action
from .iq_view import IqPage
from .link_view import LinkView
from .replay_bar import ReplayBar
from .view import ScreenView
from .view_keys import bindings_of, key_names, keys_in_words

__all__ = ["actions_of", "help_groups"]


def help_groups(
    everywhere: Sequence[BindingType], views: Sequence[ScreenView], *, replay: bool
) -> list[tuple[str, list[tuple[str, str]]]]:
    """Headings, each with its keys and what they do."""
    groups = [("Everywhere", keys_in_words(everywhere))]
    if replay:
        groups.append(("Replay", keys_in_words(ReplayBar.BINDINGS)))
    for number, view in enumerate(views, 1):
        heading = f"{number} {view.NAME}"
        if isinstance(view, LinkView):
            groups.append((heading, keys_in_words(type(view.matrix).BINDINGS)))
            groups.append((f"{heading}, IQ data", keys_in_words(IqPage.BINDINGS)))
        else:
            groups.append((heading, keys_in_words(type(view.owner).BINDINGS)))
    return groups


def actions_of(
    view: ScreenView, replay: ReplayBar, everywhere: Sequence[BindingType], app: DOMNode
) -> Iterator[Action]:
    """Every key of the open view, of the replay where there is one, and of the whole screen."""
    groups: list[tuple[str, Sequence[BindingType], DOMNode]] = [
        (f"{view.NAME}: ", type(view.owner).BINDINGS, view.owner)
    ]
    if replay.control is not None:
        groups.append(("replay: ", ReplayBar.BINDINGS, replay))
    groups.append(("", everywhere, app))
    for where, bindings, target in groups:
        for binding in bindings_of(bindings):
            yield Action(where, binding.description, key_names(binding), binding.action, target)
