"""Exception classes of alertd. A message is one line: place, field, problem and remedy.

AlertdError
├ InputError     a file, request or argument that the sender must correct
│ └ ConfigError  the same, in the operator's configuration
├ SourceError    a forecast provider or feed did not deliver the requested data
│ ├ SourceDown     no answer, or an answer that asks to retry later
│ ├ SourceChanged  an answer whose shape, units or values cannot be trusted
│ │ └ SourceDoubted  an answer of the expected shape with implausible values, or without usable values
│ └ OutsideArea    the source reports that it has no forecasts for that place
├ DeliveryError  a notice could not be delivered
└ StoreError     persistent data could not be written or read
  └ LeadershipLost  another daemon now leads the same store
"""

from typing import Final

MAX_FIELD_CHARS: Final = 200
MAX_PART_CHARS: Final = 1000  # of a problem or a hint


class AlertdError(Exception):
    """Base of all failures that alertd raises on purpose."""


def _shortened(text: str, most: int) -> str:
    """The text, without its middle where it is too long for one line: it may repeat what a stranger sent."""
    return text if len(text) <= most else f"{text[: most // 2]} ... {text[-(most // 2) :]}"


class InputError(AlertdError):
    """Invalid input. `where` is the file or request, `field` the field, `problem` the fault, `hint` the remedy.

    `others`: further mistakes of the same input, where its reader found more than one.
    """

    others: "tuple[InputError, ...]" = ()

    def __init__(self, where: str, field: str, problem: str, hint: str) -> None:
        self.where, self.field = where, _shortened(field, MAX_FIELD_CHARS)
        self.problem, self.hint = _shortened(problem, MAX_PART_CHARS), _shortened(hint, MAX_PART_CHARS)
        place = f"{where}: {self.field}" if field else where
        super().__init__(" ".join(f"{place}: {self.problem}; {self.hint}".split()))


class ConfigError(InputError):
    """The operator's configuration is wrong."""


class SourceError(AlertdError):
    """A provider failed. `retryable`: the same call may work later, after `retry_after_s` seconds where known."""

    def __init__(
        self, source: str, problem: str, *, retryable: bool = False, retry_after_s: float | None = None
    ) -> None:
        self.source, self.problem = source, _shortened(problem, MAX_PART_CHARS)
        self.retryable, self.retry_after_s = retryable, retry_after_s
        super().__init__(" ".join(f"{source}: {self.problem}".split()))


class SourceDown(SourceError):
    """No answer, or an answer that asks to retry later."""


class SourceChanged(SourceError):
    """An answer whose shape, units or values cannot be trusted."""


class SourceDoubted(SourceChanged):
    """An answer of the expected shape with implausible values, or without usable values."""


class OutsideArea(SourceError):
    """The source reports that it has no forecasts for that place. Other sources are not affected."""


class DeliveryError(AlertdError):
    """A notice could not be delivered on `channel`. `permanent` is True when no retry can help."""

    def __init__(
        self, channel: str, problem: str, *, permanent: bool = False, retry_after_s: float | None = None
    ) -> None:
        self.channel, self.problem = channel, problem
        self.permanent, self.retry_after_s = permanent, retry_after_s
        super().__init__(" ".join(f"{channel}: {problem}".split()))


class StoreError(AlertdError):
    """Persistent data could not be written or read. No partial write remains."""


class LeadershipLost(StoreError):
    """Another daemon now leads the same store, so this one may neither write nor send."""
