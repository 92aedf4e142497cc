"""The docs say what the code does: nothing can be added without its line."""

import importlib.util
import re
from pathlib import Path

import pytest
import typer.main

import halfvolley as hv
from halfvolley import errors
from halfvolley.cli import app

ROOT = Path(__file__).parents[2]
DOCS = ROOT / "docs"
PAGES = sorted([*DOCS.glob("*.md"), ROOT / "README.md", ROOT / "CHANGELOG.md"])


@pytest.fixture(scope="module")
def generate():
    spec = importlib.util.spec_from_file_location("docs_generate", DOCS / "generate.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("name", ["session.md", "commands.md", "library.md", "many-sessions.md"])
def test_generated_parts_are_up_to_date(generate, name):
    path = DOCS / name
    assert generate.filled(path) == path.read_text(encoding="utf-8"), "run: python docs/generate.py"


def test_a_new_key_would_be_noticed(generate, monkeypatch):
    from halfvolley.session.schema import Key

    more = (*generate.KEYS, Key("air", "wind_mps", "number", 0.0, "m/s", "wind"))
    monkeypatch.setattr(generate, "KEYS", more)
    path = DOCS / "session.md"
    assert generate.filled(path) != path.read_text(encoding="utf-8")


def test_every_error_is_documented():
    text = (DOCS / "session.md").read_text(encoding="utf-8")
    for name, thing in vars(errors).items():
        if isinstance(thing, type) and issubclass(thing, errors.HalfvolleyError):
            assert f"`{name}`" in text, name
            assert name in errors.__doc__, name


def test_every_stage_is_documented():
    from halfvolley.session.pipeline import STAGES

    text = (DOCS / "session.md").read_text(encoding="utf-8")
    for stage in STAGES:
        assert re.search(rf"^\| `{stage.name}` \|", text, re.MULTILINE), stage.name


def test_every_command_and_option_has_help(generate):
    for name, group in typer.main.get_command(app).commands.items():
        assert group.help, name
    for name, command in generate.all_commands().items():
        assert command.help, name
        for parameter in command.params:
            assert parameter.help, (name, parameter.name)


def test_every_command_that_a_page_shows_exists(generate):
    commands = generate.all_commands()
    shown = set()
    for page in PAGES:
        for line in page.read_text(encoding="utf-8").splitlines():
            for code in [line] if line.startswith("    ") else re.findall(r"`([^`]+)`", line):
                match = re.match(r"\s*(?:\$ )?halfvolley ([a-z]+)((?: [a-z]+)?)(.*)", code)
                if match:
                    name = match[1] if match[1] in commands else match[1] + match[2]
                    shown.add(name)
                    assert name in commands, (page.name, code)
                    params = commands[name].params
                    options = {o for p in params for o in (*p.opts, *p.secondary_opts)}
                    for option in re.findall(r"--[a-z][a-z0-9-]*", code):
                        assert option in options, (page.name, code)
    assert shown == set(commands), "every command is shown somewhere"


def test_every_make_target_that_a_page_shows_exists():
    makefile = (ROOT / "Makefile").read_text(encoding="utf-8")
    texts = [page.read_text(encoding="utf-8") for page in PAGES]
    shown = {
        t for text in texts for t in re.findall(r"(?:^    |`)make ([a-z]+)", text, re.MULTILINE)
    }
    assert {"demo", "test"} <= shown
    for target in shown:
        assert re.search(rf"^{target}:", makefile, re.MULTILINE), target


def test_links_lead_somewhere():
    for page in PAGES:
        for link in re.findall(r"\]\(([^)#]+)[^)]*\)", page.read_text(encoding="utf-8")):
            if not link.startswith("http"):
                assert (page.parent / link).exists(), (page.name, link)


def test_readme_begins_with_the_job_and_two_commands():
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    job, demo, test = text.index("camera"), text.index("make demo"), text.index("make test")
    assert job < demo < test < text.index("\n## ")


def test_all_is_complete():
    places = set(hv._PLACES)
    assert set(hv.__all__) == places | {"__version__"}
    assert len(hv.__all__) == len(set(hv.__all__))
    for name in hv.__all__:
        assert getattr(hv, name) is not None
    assert set(dir(hv)) == set(hv.__all__)
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = hv.nothing


def test_editors_see_the_same_names():
    text = (ROOT / "src/halfvolley/__init__.py").read_text(encoding="utf-8")
    block = text[text.index("if TYPE_CHECKING") : text.index("def __getattr__")]
    seen = {n for n in re.findall(r"\b(\w+)\b", block) if n in hv._PLACES}
    assert seen == set(hv._PLACES)


def test_every_error_is_public():
    for name, thing in vars(errors).items():
        if isinstance(thing, type) and issubclass(thing, errors.HalfvolleyError):
            assert name in hv.__all__, name


def test_version_is_that_of_the_package():
    from importlib.metadata import version

    assert hv.__version__ == version("halfvolley")


def test_the_fixed_exit_statuses_are_documented():
    text = (DOCS / "commands.md").read_text(encoding="utf-8")
    for words in ("Exit status: 0", "1 not", "2 wrong use", "130"):
        assert words in text


def test_the_example_uses_public_names_only():
    text = (ROOT / "examples" / "01_one_clip.py").read_text(encoding="utf-8")
    assert set(re.findall(r"\bhv\.(\w+)", text)) <= set(hv.__all__)
    assert "halfvolley." not in text.replace("`halfvolley", "")
