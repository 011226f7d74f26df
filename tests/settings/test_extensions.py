"""Lists of providers and channels: a piece that is forgotten or clashes is one clear line, and no secret is shown."""

import sys
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from alertd.daemon.log_format import TextFormatter, secrets_of
from alertd.delivery.channel_spec import ChannelModel, ChannelSpec
from alertd.errors import ConfigError
from alertd.settings import extensions
from alertd.settings.extensions import CHANNELS, PROVIDERS, clashes, load_specs, provider_spec
from alertd.settings.read import read_settings
from alertd.sources.files.toml import FileModel
from alertd.sources.provider_spec import ProviderSpec

Write = Callable[..., Path]


class PagerFile(ChannelModel):
    token_file: str


class OpenPagerFile(ChannelModel):
    token: str


class ToyKeys(FileModel):
    toy_url: str = ""


PAGER: Any = ChannelSpec(section="pager", settings_model=PagerFile, secrets=("token_file",), open=lambda c, t: None)  # type: ignore[arg-type,return-value]
TOY: Any = ProviderSpec(name="toy", settings_model=ToyKeys, url_key="toy_url", open=lambda inputs: None)  # type: ignore[arg-type,return-value]


@pytest.fixture
def load(monkeypatch: pytest.MonkeyPatch) -> Callable[..., tuple[Any, Any]]:
    def loaded(spec: object, kind: Any = ChannelSpec) -> tuple[Any, Any]:
        module = ModuleType("recipe.pager")
        if spec is not None:
            module.__dict__["SPEC"] = spec
        monkeypatch.setitem(sys.modules, "recipe.pager", module)
        return load_specs("recipe", ["pager:SPEC"], kind)

    return loaded


def test_a_sound_spec_is_taken(load: Callable[..., tuple[Any, Any]]) -> None:
    assert load(PAGER) == ((PAGER,), ())
    assert load(TOY, ProviderSpec) == ((TOY,), ())


@pytest.mark.parametrize(
    ("spec", "problem"),
    [
        (None, "has no attribute 'SPEC'"),
        ("pager", "SPEC is not a ChannelSpec"),
        (TOY, "SPEC is not a ChannelSpec"),
        (replace(PAGER, secrets=()), "the key token_file names a file and is not among its secrets"),
        (replace(PAGER, secrets=(), settings_model=OpenPagerFile), "the key token would keep a secret in the settings"),
        (replace(PAGER, secrets=("token_file", "key_file")), "its secret key_file is no key of PagerFile"),
    ],
    ids=["no spec", "no such type", "of the other kind", "undeclared", "in the open", "no such key"],
)
def test_a_forgotten_piece_is_named(load: Callable[..., tuple[Any, Any]], spec: object, problem: str) -> None:
    specs, (error,) = load(spec)
    assert specs == ()
    line = str(error)
    assert line.startswith("recipe.pager: SPEC: cannot be used (")
    assert problem in line
    assert "; export SPEC = ChannelSpec(...) there" in line
    assert "\n" not in line


def test_a_missing_module_or_argument_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    _, (error,) = load_specs("alertd.sources.providers", ["toy.forecast:SPEC"], ProviderSpec)
    assert "alertd.sources.providers.toy.forecast: SPEC: cannot be used (No module named" in str(error)
    with pytest.raises(ConfigError, match='provider toy: url_key: "other_url" is no key of ToyKeys; name'):
        replace(TOY, url_key="other_url")


def test_names_that_clash_are_named() -> None:
    taken: Any = replace(TOY, name="nws")
    keyed: Any = replace(TOY, settings_model=type("OwnKeys", (ToyKeys,), {}))
    assert [str(e).split(": ", 1)[1] for e in clashes([*PROVIDERS, taken], CHANNELS)] == [
        'provider: "nws" is used 2 times; give one of them another name'
    ]
    assert 'key of [forecast]: "toy_url" is used 2 times' in str(next(clashes([TOY, replace(keyed, name="t")], [])))
    assert 'section: "mail" is used 2 times' in str(next(clashes([], [*CHANNELS, replace(PAGER, section="mail")])))
    assert not list(clashes(PROVIDERS, CHANNELS))


def test_settings_are_not_read_with_a_bad_spec(monkeypatch: pytest.MonkeyPatch, write_config: Write) -> None:
    problem = ConfigError("alertd.sources.providers.toy", "SPEC", "cannot be used", "export it")
    monkeypatch.setattr(extensions, "_PROBLEMS", (problem,))
    with pytest.raises(ConfigError, match=r"providers\.toy: SPEC: cannot be used"):
        read_settings(write_config())


def test_an_unknown_provider_or_section_is_named(write_config: Write) -> None:
    with pytest.raises(ConfigError, match=r'forecast\.sources: "toy" is no source; use one of nws, open-meteo,'):
        provider_spec("toy", "alertd.toml")
    with pytest.raises(ConfigError, match=r"pager: unknown key; "):
        read_settings(write_config(changes={"[[webhook]]": "[[pager]]\n[[webhook]]"}))


def test_every_declared_secret_is_hidden_in_the_log(write_config: Write) -> None:
    """One canary for each key of each spec that names a secret."""
    settings = read_settings(write_config())
    canaries = [f"canary-{spec.section}-{key}" for spec in CHANNELS for key in spec.secrets]
    channels = tuple(
        replace(settings.channels[0], spec=spec, secrets={key: f"canary-{spec.section}-{key}" for key in spec.secrets})
        for spec in CHANNELS
    )
    keys = {key: f"canary-{key}" for spec in PROVIDERS for key in spec.secrets}
    made = replace(settings, channels=channels, forecast=replace(settings.forecast, secrets=keys))
    hidden = TextFormatter(secrets_of(made))
    assert len(canaries) == 4
    assert len(keys) == 1
    for canary in (*canaries, *keys.values()):
        assert hidden.redact(f"sent with {canary}.") == "sent with [secret]."


def test_each_of_two_secrets_in_one_file_is_hidden(write_config: Write) -> None:
    settings = read_settings(write_config())
    two = replace(settings.channels[0], secrets={"secret_file": "whsec_new-5512\nwhsec_old-5513"})
    hidden = TextFormatter(secrets_of(replace(settings, channels=(two,))))
    assert hidden.redact("whsec_old-5513 whsec_new-5512") == "[secret] [secret]"


def test_a_secret_that_is_not_declared_is_not_read() -> None:
    config = PAGER.configure(name="night", audiences=["driver"], token_file="token.txt", secrets={"token_file": "x"})
    assert config.secret("token_file") == "x"
    assert "'x'" not in repr(config)
    with pytest.raises(ConfigError, match=r"channel \[\[pager\]\]: key_file: is not declared as a secret; add"):
        config.secret("key_file")
