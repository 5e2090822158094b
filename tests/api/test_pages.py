"""The pages over HTTP: status, headers, languages, units, errors, and the small pure parts."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

import pytest
from starlette.testclient import TestClient

from service.app import create_app
from service.clock import Clock
from service.pages.charts import histogram, near_cuts, rebin
from service.pages.look import Look, eighths
from service.pages.pull_form import read_form
from service.pages.words import WORDS, wanted_language
from service.settings import Settings

HTML = {"accept": "text/html,application/xhtml+xml;q=0.9,*/*;q=0.8"}
NOW_MS = 1_784_300_400_000  # 2026-07-17T15:00:00Z, the time on the service's clock
LOT = {"id": "L-0417", "grower": "Tolliver Ridge", "block": "TR-07", "cultivar": "rosalind-red",
       "pick": 2, "standard": "us-peaches"}


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    app = create_app(settings=Settings(data_dir=tmp_path_factory.mktemp("data")),
                     clock=Clock(now_ms=lambda: NOW_MS))
    with TestClient(app, base_url="http://127.0.0.1") as found:
        assert found.post("/v1/lots", json=LOT).status_code == 201
        records = [
            {"seq": i, "diameter_mm": 60 + i, "blush_fraction": 0.5, "sugar_brix": 11.0}
            for i in range(10) if i != 4
        ] + [{"seq": 20, "defects": [{"kind": "decay"}]}, {"seq": 21, "diameter_mm": 400}]
        answer = found.post("/v1/records", params={"lot": "L-0417", "source": "line-1", "run": "1"},
                            content=json.dumps(records),
                            headers={"content-type": "application/json"})
        assert answer.status_code == 201
        yield found


def _text(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html)).replace("\u202f", " ")


def test_home_leads_to_the_lots(client: TestClient) -> None:
    answer = client.get("/", follow_redirects=False)
    assert (answer.status_code, answer.headers["location"]) == (303, "/lots")


def test_lot_page_shows_counts_and_cautions(client: TestClient) -> None:
    answer = client.get("/lots/L-0417", headers=HTML)
    assert answer.status_code == 200
    text = _text(answer.text)
    for wanted in (
        "L-0417", "Tolliver Ridge", "TR-07", "Rosalind Red", "us-peaches@2004", "10",
        "unverified numbers", "House record, not an official certificate.",
        "Ground colour not used for maturity: solid-red cultivar.", "estimate",
        "Records in quarantine: 1", "Sequence numbers missing: 11", "as of record 10",
        "decay", "No pull has been made", "Within 1 mm of a cut",
    ):
        assert wanted in text, wanted


def test_lot_page_numbers_agree_with_the_api(client: TestClient) -> None:
    packed = client.get("/v1/lots/L-0417/packout").json()
    text = _text(client.get("/lots/L-0417", headers=HTML).text)
    for grade in packed["by_grade"]:
        assert f"{grade['count']} of {packed['n']}" in text
        assert f"{grade['low'] * 100:.1f}–{grade['high'] * 100:.1f} %" in text


def test_no_inline_script_or_style(client: TestClient) -> None:
    """The content security policy allows neither."""
    for path in ("/lots", "/lots/L-0417", "/lots/L-0417/pulls/new", "/lots/none"):
        answer = client.get(path, headers=HTML)
        assert "default-src 'self'" in answer.headers["content-security-policy"]
        assert not re.search(r"<style|\sstyle=|\son\w+=|<script(?![^>]*\ssrc=)", answer.text)
        assert not re.search(r"(?:src|href)=\"(?:https?:)?//", answer.text)


def test_words_follow_the_reader(client: TestClient) -> None:
    spanish = client.get("/lots/L-0417", headers={**HTML, "accept-language": "es-CL,es;q=0.9"})
    assert '<html lang="es">' in spanish.text
    assert spanish.headers["content-language"] == "es"
    assert "Registro de la casa, no es un certificado oficial." in spanish.text


def test_what_a_standard_says_keeps_its_language_on_spanish_pages(client: TestClient) -> None:
    """WCAG 2.2, 3.1.2, language of parts; our own classes are translated."""
    standard = client.get("/v1/lots/L-0417").json()["graded_under"]["title"]
    marked = f'<span lang="en">{standard}</span>'
    for path in ("/lots/L-0417", "/lots", "/lots/L-0417/pulls/new"):
        page = client.get(path, params={"lang": "es"}, headers=HTML).text
        assert '<html lang="es">' in page
        assert marked in page or path.endswith("new")
        assert page.count(f">{standard}<") == page.count(marked)
    lot = client.get("/lots/L-0417", params={"lang": "es"}, headers=HTML).text
    grades = client.get("/v1/lots/L-0417/packout").json()["by_grade"]
    official = [g["title"] for g in grades if g["code"] not in ("cull", "undecided")]
    assert official
    for title in official:
        assert f'<th scope="row" lang="en">{title}</th>' in lot
    assert '<th scope="row" lang="es">sin decidir</th>' in lot
    form = client.get("/lots/L-0417/pulls/new", params={"lang": "es"}, headers=HTML).text
    for title in official:
        assert re.search(f'<option [^>]*lang="en"[^>]*>{re.escape(title)}</option>', form)


def test_a_choice_in_the_address_is_kept(client: TestClient) -> None:
    chosen = client.get("/lots?lang=es&units=in", headers=HTML)
    assert {c.name for c in chosen.cookies.jar} == {"drupe_lang", "drupe_units"}
    try:
        assert '<html lang="es">' in client.get("/lots", headers=HTML).text
        assert "2 1/2–2 5/8" in _text(client.get("/lots/L-0417", headers=HTML).text)
    finally:
        client.cookies.clear()


def test_errors_are_pages_for_people_and_problems_for_programs(client: TestClient) -> None:
    page = client.get("/lots/none", headers=HTML)
    assert page.status_code == 404
    assert "No such lot" in page.text and 'href="/lots"' in page.text
    problem = client.get("/lots/none", headers={"accept": "application/json"})
    assert problem.status_code == 404
    assert problem.headers["content-type"] == "application/problem+json"
    assert problem.json()["errors"] == []


def test_what_people_typed_is_escaped(client: TestClient) -> None:
    wicked = {**LOT, "id": "L-0500", "grower": "<script>alert(1)</script>", "note": '"><b>'}
    assert client.post("/v1/lots", json=wicked).status_code == 201
    for path in ("/lots", "/lots/L-0500"):
        assert "<script>alert" not in client.get(path, headers=HTML).text
    name = "/lots/%3Cscript%3Ealert(1)"
    assert "<script>alert" not in client.get(name, headers=HTML).text


def test_static_files_may_be_kept(client: TestClient) -> None:
    html = client.get("/lots", headers=HTML).text
    addresses = re.findall(r'(?:src|href)="(/static/[^"]+)"', html)
    assert len(addresses) == 3
    for address in addresses:
        answer = client.get(address)
        assert answer.status_code == 200
        assert "immutable" in answer.headers["cache-control"]
        bare = client.get(address.split("?")[0])
        assert bare.headers["cache-control"] == "public, max-age=300"
        again = client.get(address, headers={"if-none-match": answer.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")
    assert client.get("/static/none.css").status_code == 404
    assert client.get("/static/..%2Frender.py").status_code == 404


def _form(**changes: str) -> dict[str, str]:
    return {
        "pull_id": "p-1", "purpose": "packed_box", "person": "R. Vale",
        "drawn_at": "2026-07-17T08:00", "utc_offset_min": "-420", "tip_mm": "8",
        "sugar_atc": "yes", "grade": "us_no1", "min_diameter": "2 1/2", "min_diameter_unit": "in",
        "diameter_unit": "mm", "firmness_unit": "lbf", "weight_unit": "lb", "rows": "10",
        "b0_id": "1", "b0_weight": "25.4", "f0_box": "1", "f0_diameter": "66", **changes,
    }


def _post(client: TestClient, form: dict[str, str], **headers: str) -> Any:
    return client.post("/lots/L-0417/pulls/new", data=form, headers={**HTML, **headers},
                       follow_redirects=False)


def test_a_pull_is_stored_once_and_answered(client: TestClient) -> None:
    form = _form(f0_d0_kind="decay", f3_box="1", f3_diameter="62", f3_firm1="9", f3_firm2="11")
    first = _post(client, form)
    assert first.status_code == 303
    assert first.headers["location"] == "/lots/L-0417/pulls/p-1"
    assert _post(client, form).headers["location"] == first.headers["location"]
    page = client.get(first.headers["location"], headers=HTML)
    text = _text(page.text)
    for wanted in ("packed box", "R. Vale", "7 CFR 51.1214", "limit 10 %",
                   "House record, not an official certificate."):
        assert wanted in text, wanted
    assert 'href="/v1/fruit/pull:p-1/1/0"' in page.text
    assert client.get("/v1/fruit/pull:p-1/1/0").status_code == 200
    assert 'datetime="2026-07-17T15:00:00Z"' in page.text
    assert "packed box" in _text(client.get("/lots/L-0417", headers=HTML).text)
    assert client.get("/v1/lots/L-0417").json()["fruit"] == 10


def test_mistakes_come_back_with_what_was_typed(client: TestClient) -> None:
    for changes, field in (
        ({"person": ""}, "person"),
        ({"f0_diameter": "wide"}, "f0_diameter"),
        ({"f0_diameter": "400"}, "f0_diameter"),
        ({"f0_blush": "101"}, "f0_blush"),
        ({"f0_d1_circle": "4"}, "f0_d1_kind"),
        ({"f0_d1_kind": "scab", "f0_d1_circle": "-4"}, "f0_d1_circle"),
        ({"f5_firm1": "-9"}, "f5_firm1"),
        ({"f2_colour": "no such chip"}, "f2_colour"),
        ({"b0_weight": "heavy"}, "b0_weight"),
        ({"min_diameter": "two"}, "min_diameter"),
        ({"drawn_at": "yesterday"}, "drawn_at"),
        ({"grade": "best"}, "grade"),
    ):
        answer = _post(client, _form(pull_id="p-wrong", **changes))
        assert answer.status_code == 422, changes
        assert f'id="{field}-e"' in answer.text, (changes, field)
        if field != "grade":  # a choice that the form does not offer cannot be shown
            for value in changes.values():
                assert f'value="{value}"' in answer.text
    assert client.get("/lots/L-0417/pulls/p-wrong", headers=HTML).status_code == 404


def test_an_empty_form_asks_for_a_fruit(client: TestClient) -> None:
    form = {k: v for k, v in _form().items() if not k.startswith("f0_")}
    answer = _post(client, form)
    assert answer.status_code == 422
    assert "Fill in at least one fruit." in answer.text


def test_forms_of_other_sites_and_kinds_are_refused(client: TestClient) -> None:
    assert _post(client, _form(), origin="http://elsewhere.example").status_code == 403
    assert _post(client, _form(), **{"sec-fetch-site": "cross-site"}).status_code == 403
    answer = client.post("/lots/L-0417/pulls/new", json={}, headers=HTML)
    assert answer.status_code == 415
    many = {f"x{i}": "1" for i in range(6_001)}
    assert _post(client, many).status_code == 400
    assert client.post("/lots/none/pulls/new", data=_form(), headers=HTML).status_code == 404


def test_cells_become_a_pull() -> None:
    """Units: 1 lb = 453.59237 g (NIST SP 811, appendix B). Blank is not measured."""
    form = _form(diameter_unit="in", f0_diameter="2 5/8", f0_firm1="9,5", f0_firm2="10",
                 f0_brix="11.2", f0_temp="24", f0_colour="88.5", f0_blush="40", f4_colour="G3",
                 f4_d0_kind="growth_crack", f4_d0_length="12.7", f4_d0_state="unhealed",
                 judged_mature="yes", f4_unfit="mature")
    read = read_form(values=form, words=WORDS["en"], judged=("mature",))
    assert read.errors == {}
    pull = read.pull
    assert pull is not None
    assert pull.drawn_at.isoformat() == "2026-07-17T08:00:00-07:00"
    assert pull.packages[0].net_weight_g == pytest.approx(25.4 * 453.59237, abs=1e-6)
    first, second = pull.fruit
    assert (first.diameter_in, first.firmness_lbf) == (2.625, [9.5, 10.0])
    assert (first.sugar_brix, first.sugar_temp_c, first.ground_hue_deg) == (11.2, 24, 88.5)
    assert first.blush_fraction == 0.4 and first.judged == {"mature": True}
    assert second.ground_chip == "G3" and second.diameter_in is None
    assert second.defects == [{"kind": "growth_crack", "length_mm": 12.7, "healed": False}]
    assert second.judged == {"mature": False}
    assert read.rows == [0, 4]


@pytest.mark.parametrize(("mm", "text", "exact"), [
    # 1 in = 25.4 mm exactly (NIST SP 811, appendix B).
    (63.5, "2 1/2", True), (Fraction(254, 10), "1", True), (57.15, "2 1/4", True),
    (66.67, "2 5/8", True), (66.68, "2 5/8", True), (66.7, "2 5/8", False),
    (65.0, "2 1/2", False), (9.525, "3/8", True), (0.0, "0", True),
])
def test_inches_in_eighths(mm: float | Fraction, text: str, exact: bool) -> None:
    assert eighths(mm=mm) == (text, exact)


def test_diameters_are_shown_with_their_unit() -> None:
    assert Look(WORDS["en"]).diameter(63.5) == "63.5\u202fmm"
    assert Look(WORDS["es"]).diameter(63.5) == "63,5\u202fmm"
    assert Look(WORDS["en"], "in").diameter(63.5) == "2 1/2\u202fin"
    assert Look(WORDS["en"], "in").diameter(65.0) == "2 1/2\u202fin (65.0\u202fmm)"
    # 1 lbf = 4.4482216 N (NIST SP 811, appendix B)
    assert Look(WORDS["en"], "in").measure("firmness", 44.482216) == "10.0\u202flbf"


def test_languages_say_the_same_things() -> None:
    english, spanish = WORDS["en"].table, WORDS["es"].table
    assert english.keys() == spanish.keys()
    slots = re.compile(r"\{(\w+)\}")
    for key, message in english.items():
        assert sorted(slots.findall(message)) == sorted(slots.findall(spanish[key])), key


@pytest.mark.parametrize(("accept", "lang"), [
    # RFC 9110, 12.5.4: the highest weight wins, 0 means not wanted.
    ("es", "es"), ("es-MX,es;q=0.9,en;q=0.8", "es"), ("en-US,es;q=0.5", "en"),
    ("fr, es;q=0.7, en;q=0.3", "es"), ("es;q=0", "en"), ("", "en"), ("de", "en"), (";;q=", "en"),
])
def test_wanted_language(accept: str, lang: str) -> None:
    assert wanted_language(accept=accept) == lang


def test_rebinning_keeps_every_fruit() -> None:
    assert rebin(counts=[1, 2, 3, 4], first=0, factor=2) == [3, 7]
    assert rebin(counts=[1, 2, 3, 4], first=1, factor=2) == [1, 5, 4]


def test_near_cuts_counts_the_fragile_fruit() -> None:
    found = {"start": 62.0, "bin": 0.1, "counts": [1] * 30, "cuts": [63.5, 80.0]}
    assert near_cuts(found=found) == [(63.5, 20)]


def test_histogram_bars_hold_the_counts() -> None:
    found = {"start": 60.0, "bin": 0.1, "counts": [2, 0, 4], "cuts": [60.15]}
    chart = histogram(name="diameter", found=found, look=Look(WORDS["en"]))
    assert chart is not None
    tall = max(bar.height for bar in chart.bars)
    assert [bar.height / tall for bar in chart.bars] == pytest.approx([0.5, 1], abs=0.01)
    assert [cut.label for cut in chart.cuts] == ["60.15"]
    empty: dict[str, Any] = {"start": 60.0, "bin": 0.1, "counts": [], "cuts": []}
    assert histogram(name="diameter", found=empty, look=Look(WORDS["en"])) is None



def test_the_lines_page_takes_a_form_and_tells_what_is_wrong(client: TestClient) -> None:
    client.post("/v1/lines", json={"id": "line-7", "holding": {
        "standard": "house-long-distance", "cultivar": "ember-lass"}})
    assert "line-7" in client.get("/lines").text
    send = {"person": "M. Orrin", "note": "belt empty"}

    def post(**values: str) -> Any:
        return client.post("/lines/line-7", data={**send, **values}, follow_redirects=False)

    nothing = post(do="end")
    assert nothing.status_code == 409
    assert "packs no lot" in nothing.text
    assert post(do="pack").status_code == 422
    assert post(do="pack", lot="L-0000").status_code == 404
    assert post(do="pack", lot="L-0417", note="x" * 500).status_code == 422
    assert post(do="pack", lot="L-0417").headers["location"] == "/lines"
    assert client.get("/v1/lines/line-7").json()["turns"][0]["note"] == "belt empty"
    assert client.post("/lines/line-9", data=send).status_code == 404
    foreign = client.post("/lines/line-7", data=send, headers={"origin": "http://elsewhere.test"})
    assert foreign.status_code == 403
