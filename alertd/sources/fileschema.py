"""JSON Schemas of the files a fleet writes by hand, for its editor to complete and check."""

from typing import Any, Final, Literal

from alertd.sources.limitfile import LimitFile
from alertd.sources.rigfile import RigFile
from alertd.sources.rulefile import RuleFile
from alertd.sources.tomlfile import FileModel

Kind = Literal["rule", "rig", "limits"]
_MODELS: Final[dict[Kind, type[FileModel]]] = {"rule": RuleFile, "rig": RigFile, "limits": LimitFile}


def file_schema(kind: Kind) -> dict[str, Any]:
    """JSON Schema 2020-12 of one kind of file. What ties keys to each other is checked by `alertd check` alone."""
    schema = _MODELS[kind].model_json_schema(by_alias=True)
    return schema | {"$schema": "https://json-schema.org/draft/2020-12/schema", "title": f"alertd {kind} file"}
