"""A config says what it means, and every mistake in one is found with its line."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import BaseModel, ValidationError

from limbward.config import Config, with_jobs
from limbward.config.loading import _all_keys, json_schema, load_config
from limbward.config.yaml_source import MAX_VALUES, key_path
from limbward.errors import ConfigError
from limbward.imports import sources
from limbward.runs.runner import load_stages
from limbward.sky.contacts import local_circumstances
from limbward.sky.ephemeris import Site
from tests.config_reads import MODELS, reads

PACKAGE = Path(__file__).parent.parent / "pipeline" / "limbward"
CONFIGS = Path(__file__).parent.parent / "configs"
READERS = (  # of the config's modules
    *("inputs.py", "said.py", "bodies.py", "place_and_time.py", "known_limb.py", "pointing.py"),
    "lens_name.py",
)
SMALLEST = """\
site: {latitude: 64.8, longitude: -23.7, height: 40}
eclipse: 2026-08-12
input: {cards: [card]}
"""


def write(folder: Path, text: str | bytes) -> Path:
    path = folder / "limbward.yaml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def mistakes(folder: Path, text: str | bytes) -> list[str]:
    """Return the lines of the error, without the folder."""
    path = write(folder, text)
    with pytest.raises(ConfigError) as raised:
        load_config(path)
    return str(raised.value).replace(str(path), "limbward.yaml").splitlines()


def test_the_smallest_config_has_the_documented_defaults(tmp_path):
    config = load_config(write(tmp_path, SMALLEST))
    assert config.site.latitude == 64.8
    assert config.eclipse.isoformat() == "2026-08-12"
    assert config.sky.k_penumbra == config.sky.k_umbra == 0.2725076  # IAU 1982
    assert config.sky.solar_radius_km == 696000.0  # IAU 1976, 959.63 arcsec at 1 au
    assert config.resolve(config.workspace) == tmp_path / "workspace"
    assert config.resolve("/else/where") == Path("/else/where")


def test_every_key_is_documented():
    def undocumented(model: type[BaseModel]) -> list[str]:
        return [name for name, field in model.model_fields.items() if not field.description]

    models = [
        Config,
        *(
            m
            for m in vars(__import__("limbward.config").config).values()
            if isinstance(m, type) and issubclass(m, BaseModel)
        ),
    ]
    assert [name for model in models for name in undocumented(model)] == []
    assert len(list(_all_keys(Config))) > 40


def test_every_key_is_read_where_it_takes_effect():
    """A key that nothing reads would promise what does not happen."""
    read = set[tuple[str, str]]().union(
        *(
            reads(file)
            for file in (
                *(
                    f
                    for room in ("stages", "products", "review", "work")
                    for f in (PACKAGE / room).rglob("*.py")
                ),
                *(PACKAGE / "config" / name for name in READERS),
            )
        )
    )
    keys = {(name, key) for name, model in MODELS.items() for key in model.model_fields}
    assert keys - read == set()
    assert len(keys) > 80


@pytest.mark.parametrize("stage", load_stages(), ids=lambda stage: stage.name)
def test_a_stage_names_the_sections_that_it_reads(stage):
    """One that it does not name could be changed without the stage being run again."""
    read = {
        key
        for file in sources(stage.run.__module__, PACKAGE)
        if PACKAGE / "config" not in file.parents or file.name in READERS
        for model, key in reads(file)
        if model == "Config"
    }
    # Where things lie and how the work is done change no result. Which files are there is for
    # ingest alone; that others import the module that lists the cards is harmless.
    free = {"workspace", "run"} | (set() if stage.name == "ingest" else {"input"})
    assert read - free <= set(stage.sections)
    assert set(stage.sections) <= read


def test_a_read_is_found_through_names_loops_and_annotations(tmp_path):
    file = tmp_path / "some.py"
    file.write_text(
        "def f(config, other: SheetConfig, strange):\n"
        "    options = config.merge\n"
        "    for step in config.timing.references:\n"
        "        print(step.utc, options.size, other.count, strange.cell_px)\n"
        "    return [getattr(config.input, key) for key in ('darks',)]\n"
    )
    assert {pair for pair in reads(file) if pair[0] != "Config"} == {
        ("TimingConfig", "references"),
        ("TimeReference", "utc"),
        ("MergeConfig", "size"),
        ("SheetConfig", "count"),
        ("InputConfig", "darks"),
    }


EXAMPLES = sorted(p for p in CONFIGS.glob("*.yaml") if p.stem != "campaign")  # of many configs


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda p: p.name)
def test_examples_are_valid_and_name_the_schema(path):
    config = load_config(path)
    first, *_ = path.read_text().splitlines()
    assert first == "# yaml-language-server: $schema=limbward.schema.json"
    assert "certified solar filter" in " ".join(path.read_text().replace("#", " ").split())
    site = config.site
    seen = local_circumstances(
        config.eclipse.isoformat(), Site(site.latitude, site.longitude, site.height)
    )
    kinds = {"partial-only": "partial", "annular": "annular"}
    assert seen.kind == kinds.get(path.stem, "total")
    assert seen.visible


def test_the_committed_schema_is_current():
    """If this fails: limbward schema > configs/limbward.schema.json."""
    committed = json.loads((CONFIGS / "limbward.schema.json").read_text(encoding="utf-8"))
    assert committed == json.loads(json.dumps(json_schema()))


def test_schema_refers_to_nothing_that_is_not_in_it():
    text = json.dumps(json_schema())
    definitions = json.loads(text)["$defs"]
    refs = {part.split('"')[0] for part in text.split('"$ref": "#/$defs/')[1:]}
    assert refs
    assert refs <= set(definitions)


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (SMALLEST + "merg: {}\n", "limbward.yaml:4: merg: unknown key; did you mean 'merge'?"),
        (
            SMALLEST + "timing:\n\n  mont: fixed\n",
            "limbward.yaml:6: timing.mont: unknown key; did you mean 'mount'?",
        ),
        (
            SMALLEST + "latitude: 3\n",
            "limbward.yaml:4: latitude: unknown key; did you mean 'site.latitude'?",
        ),
        (
            SMALLEST + "run: {qqqq: 1}\n",
            "limbward.yaml:4: run.qqqq: unknown key; "
            "choose from jobs, memory, executor, scheduler.",
        ),
        (
            SMALLEST + "timing:\n  references:\n    - file: a\n      utcc: 1\n"
            "      utc: 2026-08-12T17:00:00Z\n",
            "limbward.yaml:7: timing.references[0].utcc: unknown key; did you mean 'utc'?",
        ),
        (
            SMALLEST.replace("64.8", "95"),
            "limbward.yaml:1: site.latitude: should be at most 90.0, but is 95.",
        ),
        (
            SMALLEST.replace("64.8", "'64.8'"),
            "limbward.yaml:1: site.latitude: should be a number of decimal degrees, south "
            "negative, but is the text '64.8'.",
        ),
        (
            SMALLEST.replace("64.8", "true"),
            "limbward.yaml:1: site.latitude: should be a number of decimal degrees, south "
            "negative, but is the truth value true.",
        ),
        (
            SMALLEST.replace("-23.7", "23.7W"),
            "limbward.yaml:1: site.longitude: should be a number of decimal degrees, west "
            "negative, but is the text '23.7W'.",
        ),
        (
            SMALLEST.replace("height: 40", "height: 40 m"),
            "limbward.yaml:1: site.height: should be a number of metres, without the unit, but is "
            "the text '40 m'.",
        ),
        (
            SMALLEST.replace("64.8", ".nan"),
            "limbward.yaml:1: site.latitude: should be a finite number, but is the number nan.",
        ),
        (
            SMALLEST.replace("latitude: 64.8, ", ""),
            "limbward.yaml:1: site.latitude: is missing (Degrees north; south is negative).",
        ),
        (
            SMALLEST.replace("[card]", "card"),
            "limbward.yaml:3: input.cards: should be a list, such as [a, b], "
            "but is the text 'card'.",
        ),
        (
            SMALLEST.replace("[card]", "[]"),
            "limbward.yaml:3: input.cards: needs at least one item.",
        ),
        (
            SMALLEST.replace("2026-08-12", "12.8.2026"),
            "limbward.yaml:2: eclipse: should be a date written YYYY-MM-DD.",
        ),
        (
            SMALLEST.replace("2026-08-12", "2026-02-30"),
            "limbward.yaml:2: eclipse: 2026-02-30 is not a date of the form YYYY-MM-DD.",
        ),
        (
            SMALLEST + "timing: {mount: equitorial}\n",
            "limbward.yaml:4: timing.mount: should be 'auto', 'equatorial', 'altazimuth' or "
            "'fixed', but is the text 'equitorial'; did you mean 'equatorial'?",
        ),
        (
            SMALLEST + "sky: {refraction: yes}\n",  # text in YAML 1.2
            "limbward.yaml:4: sky.refraction: should be true or false, but is the text 'yes'.",
        ),
        (
            SMALLEST + "merge: {size: 512.5}\n",
            "limbward.yaml:4: merge.size: should be a whole number, but is the number 512.5.",
        ),
        (
            SMALLEST + "merge:\n",
            "limbward.yaml:4: merge: should be a group of keys, such as {key: value}, "
            "but is empty.",
        ),
        (
            SMALLEST + "compose: {detail: nrfg}\n",
            "limbward.yaml:4: compose.detail: there is no enhancement 'nrfg'; choose one of nrgf.",
        ),
        (
            SMALLEST + "eclipse: 2027-08-02\n",
            "limbward.yaml:4: eclipse: given twice (first on line 2); keep one.",
        ),
        (
            SMALLEST + "workspace: !!python/name:os.system x\n",
            "limbward.yaml:4: workspace: 'x' cannot be read as 'python/name:os.system'; "
            "write a plain value.",
        ),
        (SMALLEST + "? [a, b]\n: 1\n", "limbward.yaml:4: a key must be a word."),
        ("", "limbward.yaml:1: the file is empty; it needs site, eclipse and input."),
        (
            "- a\n",
            "limbward.yaml:1: should be a group of keys, such as {key: value}, but is a list.",
        ),
    ],
)
def test_one_mistake_gives_one_sentence(tmp_path, text, expected):
    assert mistakes(tmp_path, text) == [expected]


def test_all_mistakes_are_shown_together_in_the_order_of_lines(tmp_path):
    text = (
        "site: {latitude: 95}\neclipse: 3\ninput: {}\nmerge: {}\nmerge: {}\n"
        "timing:\n  mount: fixd\n"
    )
    found = mistakes(tmp_path, text)
    assert [line.split(": ")[:2] for line in found] == [
        ["limbward.yaml:1", "site.latitude"],
        ["limbward.yaml:1", "site.longitude"],
        ["limbward.yaml:2", "eclipse"],
        ["limbward.yaml:3", "input.cards"],
        ["limbward.yaml:5", "merge"],
        ["limbward.yaml:7", "timing.mount"],
    ]


def test_filters_and_their_parameters_are_checked(tmp_path):
    step = "enhance:\n  - name: one\n    steps:\n      - {filter: %s}\n"
    found = mistakes(tmp_path, SMALLEST + step % "nrfg")
    assert found == [
        "limbward.yaml:7: enhance[0].steps[0].filter: unknown filter; did you mean 'nrgf'?"
    ]
    found = mistakes(tmp_path, SMALLEST + step % "nrgf, no_such_parameter: 1")
    assert len(found) == 1
    assert found[0].startswith(
        "limbward.yaml:7: enhance[0].steps[0].no_such_parameter: unknown key"
    )
    assert load_config(write(tmp_path, SMALLEST + step % "nrgf")).enhance[0].steps[0].params == {}


def test_enhancements_that_would_share_a_file_are_refused(tmp_path):
    text = (
        "enhance:\n- {name: one, steps: [{filter: nrgf}]}\n- {name: One, steps: [{filter: nrgf}]}"
    )
    found = mistakes(tmp_path, SMALLEST + text)
    assert [line.split(": ")[1] for line in found] == ["enhance[0].name", "enhance[1].name"]
    text = "enhance:\n- {name: ../one, steps: [{filter: nrgf}]}"
    (found,) = mistakes(tmp_path, SMALLEST + text)
    assert "letters, digits" in found


@pytest.mark.parametrize(
    ("text", "line", "said"),
    [
        ("site: {latitude: 1\neclipse: [\n", 2, "the bracket that opens on line 1 is not closed"),
        ("input: {cards: [card}\n", 1, "the bracket that opens on line 1 is not closed"),
        ("eclipse: 2026-08-12\ninput: {cards: [card]\n", 2, "the bracket that opens on line 2"),
        ("input: {cards: [card]}}\n", 1, "a closing bracket without an opening one"),
        ("site:\n  latitude: 1\n   longitude: 2\n", 3, "indented differently"),
        ("site:\n  latitude: 1\n longitude: 2\n", 3, "indented differently"),
        ("  eclipse: 2026-08-12\nsite: {}\n", 2, "indented differently"),
        ("site:\n\tlatitude: 1\n", 2, "a tab; indent with spaces"),
        ("site: {}\neclipse 2026-08-12\ninput: {}\n", 2, "a key without a colon"),
        ("site: {}\neclipse:2026-08-12\ninput: {}\n", 2, "a key without a colon and a space"),
        ("report: {}\nsite: a: b\n", 2, "text with a colon in it needs quotes"),
        ("report:\n  title: 'Totality\nsite: {}\n", 2, "quotes that open on line 2 are not"),
        ("report: {title: 'it's'}\n", 1, "missing"),
        ("input:\n  cards: - card\n", 2, "has to begin on a line of its own"),
        (SMALLEST + "---\na: 1\n", 4, "begins a second document"),
        (SMALLEST + "merge: *nowhere\n", 4, "begins with * needs quotes"),
        (SMALLEST + "workspace: @work\n", 4, "begins with @ needs quotes"),
        (SMALLEST + 'workspace: "C:\\Users"\n', 4, "use single quotes"),
    ],
)
def test_broken_yaml_names_the_line_and_the_remedy(tmp_path, text, line, said):
    (found,) = mistakes(tmp_path, text)
    assert found.startswith(f"limbward.yaml:{line}: not valid YAML: ")
    assert said in found
    assert not re.search(r"parsing|scanning|mapping|sequence|token|scalar|<", found)


def test_text_that_is_no_text(tmp_path):
    (found,) = mistakes(tmp_path, SMALLEST.encode() + b"workspace: \xff\n")
    assert found == "limbward.yaml:4: not UTF-8 text; save the file as UTF-8."
    (found,) = mistakes(tmp_path, SMALLEST + "workspace: \0\n")
    assert "not valid YAML: it contains control characters" in found


def test_aliases_are_expanded_up_to_a_bound(tmp_path):
    shared = "card: &c [a]\n" + SMALLEST.replace("[card]", "*c").replace("height: 40", "height: 1")
    found = mistakes(tmp_path, shared)
    assert found == ["limbward.yaml:1: card: unknown key; did you mean 'input.cards'?"]
    # Nine levels of nine aliases each would be 9^9 = 387 million values.
    bomb = "a0: &a0 [x, x, x, x, x, x, x, x, x]\n"
    for i in range(1, 10):
        bomb += f"a{i}: &a{i} [{', '.join([f'*a{i - 1}'] * 9)}]\n"
    (found,) = mistakes(tmp_path, bomb)
    assert f"more than {MAX_VALUES} values" in found
    (found,) = mistakes(tmp_path, "a: &a [*a]\n")
    assert "limbward.yaml" in found


def test_depth_and_length_are_bounded(tmp_path):
    (found,) = mistakes(tmp_path, "a: " + "[" * 50_000)
    assert "nested too deeply" in found
    (found,) = mistakes(tmp_path, "# " + "x" * 1_000_000)
    assert "longer than" in found


def test_files_that_are_not_there(tmp_path):
    with pytest.raises(ConfigError, match="there is no such file"):
        load_config(tmp_path / "none.yaml")
    with pytest.raises(ConfigError, match="this is a folder"):
        load_config(tmp_path)


def test_times_are_utc_unless_they_say_otherwise(tmp_path):
    text = SMALLEST + "timing: {references: [{file: a, utc: %s}]}\n"
    expected = datetime(2026, 8, 12, 17, 45, 0, 250000, tzinfo=UTC)
    for written in (
        "2026-08-12T17:45:00.250Z",
        "2026-08-12T17:45:00.250",
        "2026-08-12 17:45:00.250",
        "'2026-08-12T19:45:00.250+02:00'",
    ):
        config = load_config(write(tmp_path, text % written))
        assert config.timing.references[0].utc == expected


def test_where_points_at_the_key_or_its_section(tmp_path):
    path = write(
        tmp_path, SMALLEST + "timing:\n  references:\n  - file: a\n    utc: 2026-08-12T17:45:00Z\n"
    )
    config = load_config(path)
    assert config.where("eclipse") == f"{path}:2: eclipse"
    assert config.where("timing", "references", 0, "utc") == (f"{path}:7: timing.references[0].utc")
    assert config.where("timing", "mount") == f"{path}:4: timing.mount"
    assert config.where("sky", "k_umbra") == f"{path}:1: sky.k_umbra"
    assert with_jobs(config, 2).where("eclipse") == config.where("eclipse")
    assert with_jobs(config, 2).run.jobs == 2


def test_a_config_is_not_changed_later(tmp_path):
    config = load_config(write(tmp_path, SMALLEST))
    with pytest.raises(ValidationError):
        config.site.latitude = 3.0


def test_byte_order_mark_and_windows_line_ends_are_fine(tmp_path):
    text = b"\xef\xbb\xbf" + SMALLEST.replace("\n", "\r\n").encode()
    assert load_config(write(tmp_path, text)).site.height == 40


@given(st.text(max_size=200))
def test_any_text_is_a_config_or_a_config_error(tmp_path_factory, text):
    path = write(tmp_path_factory.getbasetemp(), text.encode("utf-8", "surrogatepass"))
    with pytest.raises(ConfigError):
        load_config(path)


yaml_values = st.recursive(
    st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=5),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=5), inner),
    max_leaves=8,
)


@given(section=st.sampled_from(sorted(Config.model_fields)), value=yaml_values)
def test_any_value_of_a_section_is_taken_or_explained(tmp_path_factory, section, value):
    lines = [line for line in SMALLEST.splitlines() if not line.startswith(f"{section}:")]
    text = "\n".join([*lines, f"{section}: {json.dumps(value)}"])
    path = write(tmp_path_factory.getbasetemp(), text)
    try:
        load_config(path)
    except ConfigError as error:
        for line in str(error).splitlines():
            assert line.startswith(f"{path}:")


def test_key_path():
    assert key_path(("input", "cards", 0)) == "input.cards[0]"
    assert key_path(()) == ""
