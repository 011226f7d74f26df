"""The gear that goes with chains, by the names under which it is reported. Common practice, no source."""

from typing import Final, Literal, get_args

from alertd.i18n import Translator, gettext_noop

Item = Literal["chains", "spares", "tensioners", "key", "links", "light", "gloves", "wet_gear", "chocks"]
ITEMS: Final[tuple[Item, ...]] = get_args(Item)
_NAMES: Final[dict[Item, str]] = {
    "chains": gettext_noop("chains"),
    "spares": gettext_noop("spare cross links"),
    "tensioners": gettext_noop("tensioners"),
    "key": gettext_noop("cam key and a second one"),
    "links": gettext_noop("wire or repair links"),
    "light": gettext_noop("head lamp, batteries"),
    "gloves": gettext_noop("gloves, two pairs"),
    "wet_gear": gettext_noop("wet gear, bright vest"),
    "chocks": gettext_noop("wheel chocks"),
}


def item_name(item: Item, translator: Translator) -> str:
    """Return the name of an item in the reader's language."""
    return translator.gettext(_NAMES[item])
