"""The shape of a server's answer: what its models stand on, and what is said of a body that does not fit."""

from typing import Annotated, TypeVar

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from alertd.errors import SourceChanged

Number = Annotated[float, Field(strict=True, allow_inf_nan=False)]
M = TypeVar("M", bound=BaseModel)


class AnswerModel(BaseModel):
    """Base of what servers send: keys that we do not read may come and go."""

    model_config = ConfigDict(extra="ignore", frozen=True)


def validated(source: str, model: type[M], body: object) -> M:
    """The body as the model. Raises SourceChanged naming the first field that does not fit."""
    try:
        return model.model_validate(body)
    except ValidationError as exc:
        first = exc.errors(include_url=False, include_input=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise SourceChanged(source, f"answer has another shape at {where}: {first['msg']}") from exc
