"""Which failures exist. Every message is one line that names the place, the field, what is wrong and the mend.

AlertdError
├ InputError     a file, request or argument that its sender must mend
│ └ ConfigError  the same, in the operator's configuration
├ SourceError    a forecast provider or feed did not give what was asked
│ ├ SourceDown     no answer, or an answer that says try later
│ ├ SourceChanged  an answer whose shape, units or values cannot be trusted
│ │ └ SourceDoubted  an answer of the right shape whose values cannot be so, or that holds none
│ └ OutsideArea    the source has no forecasts for that place, and says so
├ DeliveryError  a notice could not be handed over
└ StoreError     what must survive could not be written or read
  └ LeadershipLost  another daemon of the same store leads by now
"""


class AlertdError(Exception):
    """Base of all failures that alertd raises on purpose."""


class InputError(AlertdError):
    """Something handed to us is wrong: `where` (file or request), `field`, the `problem` and the `mend`."""

    def __init__(self, where: str, field: str, problem: str, hint: str) -> None:
        self.where, self.field, self.problem, self.hint = where, field, problem, hint
        place = f"{where}: {field}" if field else where
        super().__init__(" ".join(f"{place}: {problem}; {hint}".split()))


class ConfigError(InputError):
    """The operator's configuration is wrong."""


class SourceError(AlertdError):
    """A provider failed. `retryable` says whether the same call may work later, `retry_after_s` when."""

    def __init__(
        self, source: str, problem: str, *, retryable: bool = False, retry_after_s: float | None = None
    ) -> None:
        self.source, self.problem = source, problem
        self.retryable, self.retry_after_s = retryable, retry_after_s
        super().__init__(" ".join(f"{source}: {problem}".split()))


class SourceDown(SourceError):
    """No answer, or an answer that says try later."""


class SourceChanged(SourceError):
    """An answer whose shape, units or values cannot be trusted."""


class SourceDoubted(SourceChanged):
    """An answer of the right shape whose values cannot be so, or that holds none of use."""


class OutsideArea(SourceError):
    """The source has no forecasts for that place, and says so; other sources lose nothing by it."""


class DeliveryError(AlertdError):
    """A notice could not be handed over on `channel`; `permanent` when no retry can help."""

    def __init__(
        self, channel: str, problem: str, *, permanent: bool = False, retry_after_s: float | None = None
    ) -> None:
        self.channel, self.problem = channel, problem
        self.permanent, self.retry_after_s = permanent, retry_after_s
        super().__init__(" ".join(f"{channel}: {problem}".split()))


class StoreError(AlertdError):
    """What must survive could not be written or read. Nothing half-written stays."""


class LeadershipLost(StoreError):
    """Another daemon of the same store leads by now: this one may neither write nor send."""
