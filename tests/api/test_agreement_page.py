"""The page of line against hand: the figures of the API, drawn and in the reader's words.

The pairs are invented; what they come to is worked out here from the readings themselves.
"""

from __future__ import annotations

import itertools
import random
import re
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from starlette.testclient import TestClient

from service.pages.agreement_chart import LABEL_GAP, agreement_chart
from service.pages.look import Look
from service.pages.words import WORDS
from tests.support.app import NOON_MS, service
from tests.support.line import register

HTML = {"accept": "text/html"}
PAGE = "/lines/line-1/agreement"
MINUTE = 60_000
PAIRS, BOXED = 30, 4
_DRAW = random.Random(20260714)
HAND = [round(_DRAW.gauss(66, 4), 2) for _ in range(PAIRS + BOXED)]
LINE = [round(h + 1.1 + _DRAW.gauss(0, 0.9), 2) for h in HAND]
GAPS = np.array(LINE) - np.array(HAND)


def text_of(html: str) -> str:
    return re.sub(r"\s+", " ", re.sub(r"<[^>]*>", " ", html)).replace("\u202f", " ")


@pytest.fixture(scope="module")
def client(tmp_path_factory: pytest.TempPathFactory) -> Iterator[TestClient]:
    """Diameters well apart, hues alike, two blushes, and no sugar both ways."""
    with service(tmp_path_factory.mktemp("pairs")) as found:
        def post(path: str, body: Any) -> Any:
            answer = found.post(path, json=body)
            assert answer.is_success, answer.text
            return answer.json()

        headers = register(post)
        found.post("/v1/records?source=belt-line-1&run=r1", headers=headers, json=[
            {"seq": k, "lane": 1 + k % 2, "time_unix_ms": NOON_MS - 30 * MINUTE + k,
             "diameter_mm": line, "ground_hue_deg": 98.0 + k % 3, "ground_chroma": 40.0,
             "ground_fraction": 0.3, "blush_fraction": 0.5}
            for k, line in enumerate(LINE)]).raise_for_status()

        def pull(purpose: str, minute: int, numbers: range) -> None:
            post("/v1/lots/L-0417/pulls", {
                "id": purpose, "purpose": purpose, "person": "M. Lindqvist",
                "drawn_at": f"2026-07-14T11:{minute}:00Z", "fruit": [
                    {"diameter_mm": HAND[k], "ground_hue_deg": 98.0 + k % 3 + 0.1 * (k % 2),
                     **({"blush_fraction": 0.5} if k < 2 else {}),
                     "line_fruit": {"source": "belt-line-1", "run": "r1", "seq": k}}
                    for k in numbers]})

        pull("line_check", 40, range(PAIRS))
        pull("packed_box", 50, range(PAIRS, PAIRS + BOXED))
        post("/v1/lots/L-0417/pulls", {
            "id": "alone", "purpose": "receiving", "person": "M. Lindqvist",
            "drawn_at": "2026-07-14T11:55:00Z", "fruit": [{"diameter_mm": 66.0}]})
        yield found


def get(client: TestClient, path: str, status: int = 200) -> str:
    answer = client.get(path, headers=HTML)
    assert answer.status_code == status, answer.text
    return answer.text


def signed(value: float) -> str:
    return f"{value:+.2f}".replace("-", "−")


def test_the_figures_are_those_of_the_pairs_and_of_the_api(client: TestClient) -> None:
    """Mean, sd and mean ± 1.96 sd by numpy, and all the rest as the API has it."""
    text = text_of(get(client, f"{PAGE}?lang=en"))
    mean, sd = float(GAPS.mean()), float(GAPS.std(ddof=1))
    told = client.get(f"/v1{PAGE}").json()
    assert told["n"] == len(told["pairs"]) == PAIRS + BOXED
    bias = told["bias"]
    row = (f"{PAIRS + BOXED} {signed(mean)} {signed(bias['low'])} – {signed(bias['high'])} "
           f"{sd:.2f} {signed(mean - 1.96 * sd)} – {signed(mean + 1.96 * sd)} ±0.5 the line is off")
    assert f"Diameter, mm {row}" in text
    for wanted in (f"line less hand {signed(mean)} mm", "pulls: 2",
                   f"Deming slope {told['deming']['slope']:.3f}",
                   f"Concordance (Lin) {told['concordance']['value']:.3f}",
                   "House record, not an official certificate."):
        assert wanted in text, wanted
    for cut in told["at_cuts"]:
        assert f"{100 * cut['too_high']:.1f} %" in text
    for lane in told["lanes"]:
        of = GAPS[lane["lane"] - 1::2]
        assert f"{len(of)} {signed(of.mean())} {of.std(ddof=1) / np.sqrt(len(of)):.2f}" in text
    for action in told["next_actions"]:
        assert action in text


def test_every_measure_has_its_row_and_verdict(client: TestClient) -> None:
    text = text_of(get(client, f"{PAGE}?lang=en"))
    hue = np.array([-0.1 * (k % 2) for k in range(PAIRS + BOXED)])
    for wanted in (f"° {PAIRS + BOXED} {signed(hue.mean())}", "±2 agrees",
                   "Blush, share of surface 2 – – – ±0.05 not enough pairs 30 pairs would tell",
                   "Sugar, °Bx 0 – – – ±0.5 no pairs", "Firmness, N 0 – – – ±3 no pairs"):
        assert wanted in text, wanted


def test_it_is_asked_for_like_the_api(client: TestClient) -> None:
    wide = text_of(get(client, f"{PAGE}?lang=en&margin=2,5"))
    assert "±2.5 agrees" in wide
    assert "±2 agrees" in wide  # of hues: the margin is that of one measure
    only = text_of(get(client, f"{PAGE}?lang=en&from=2026-07-14T11:40&until=2026-07-14T11:41"))
    assert f"Diameter, mm {PAIRS} {signed(GAPS[:PAIRS].mean())}" in only
    assert "Ring:" not in only
    own = client.get(f"/v1{PAGE}?cut=66&upper=69&error_ratio=4").json()
    asked = text_of(get(client, f"{PAGE}?lang=en&cut=66&upper=69&error_ratio=4"))
    (at,) = [c for c in own["at_cuts"] if c["cut"] == 66]
    assert f"66 – 69 {100 * at['too_high']:.1f} %" in asked
    assert f"Deming slope {own['deming']['slope']:.3f}" in asked
    assert f"Deming slope {own['deming']['slope']:.3f}" not in text_of(get(client, PAGE))
    blush = text_of(get(client, f"{PAGE}?lang=en&measure=blush"))
    assert "Not enough pairs: 2 fruit were measured both ways." in blush
    assert "Post 30 paired fruit, drawn before the sorter." in blush
    sugar = get(client, f"{PAGE}?lang=en&measure=sugar")
    assert "0 fruit were measured both ways" in text_of(sugar) and "<circle" not in sugar
    unknown = text_of(get(client, f"{PAGE}?lang=en&measure=size"))
    assert "line less hand" in unknown  # a measure nobody compares: the first one


def test_in_spanish_nothing_is_left_in_english(client: TestClient) -> None:
    html = get(client, f"{PAGE}?lang=es")
    text = text_of(html)
    mean = signed(GAPS.mean()).replace(".", ",")
    for wanted in ("Línea contra mano, line-1", f"línea menos mano {mean} mm", "la línea falla",
                   "la línea da el diámetro máximo", "faltan pares", "sin pares", "concuerdan",
                   "desde el último control bueno", "Registro de la casa, no es un certificado"):
        assert wanted in text, wanted
    assert 'lang="en"' not in re.sub(r'<a href="[^"]*" lang="en"[^>]*>', "", html)
    for word in ("fruit", "the ", "pairs", "agree "):
        assert word not in text


@pytest.mark.parametrize(("query", "field"), [
    ("margin=x", "Margen acordado"), ("margin=0", "Margen acordado"), ("cut=-3", "Límite de clase"),
    ("upper=1e5", "Límite siguiente"), ("error_ratio=0,001", "Varianza del error"),
    ("error_ratio=101", "Varianza del error")])
def test_what_is_no_number_comes_back(client: TestClient, query: str, field: str) -> None:
    html = get(client, f"{PAGE}?lang=es&{query}", 422)
    assert re.search(rf'role="alert".*<span lang="es">{field}[^<]*: no es un número', html)
    assert f'value="{query.split("=")[1]}"' in html


def test_what_cannot_be_asked(client: TestClient) -> None:
    """In the words of the API, which are English."""
    for query, said in (("from=noon", "is no time"), ("cut=66&upper=66", "a cut below its upper"),
                        ("from=2026-07-14T10:00&until=2026-07-14T09:00", "begin before it ends")):
        html = get(client, f"{PAGE}?lang=es&{query}", 422)
        alert = re.search(r'role="alert">.*<span lang="en">([^<]*)', html)
        assert alert is not None and said in alert[1]
    assert "no line" in get(client, "/lines/line-9/agreement", 404)


def test_the_plot_shows_every_pair_where_it_lies(client: TestClient) -> None:
    """Places are linear in mean and difference; the mean line lies at the mean of the places."""
    html = get(client, f"{PAGE}?lang=en")
    dots = re.findall(r'<circle class="([\w-]+)" cx="([\d.]+)" cy="([\d.]+)"', html)
    assert [kind for kind, _, _ in dots].count("agree-sorted") == BOXED
    order = [*range(PAIRS, PAIRS + BOXED), *range(PAIRS)]  # the newest pull first
    x, y = (np.array([float(d[k]) for d in dots]) for k in (1, 2))
    means = ((np.array(LINE) + np.array(HAND)) / 2)[order]
    assert np.corrcoef(x, means)[0, 1] == pytest.approx(1, abs=1e-5)
    assert np.corrcoef(y, GAPS[order])[0, 1] == pytest.approx(-1, abs=1e-5)
    (line,) = re.findall(r'<line class="trend-centre"[^>]* y1="([\d.]+)"', html)
    assert float(line) == pytest.approx(y.mean(), abs=.1)
    limits = sorted(map(float, re.findall(r'<line class="trend-limit"[^>]* y1="([\d.]+)"', html)))
    assert limits == pytest.approx([y.mean() - 1.96 * y.std(ddof=1),
                                    y.mean() + 1.96 * y.std(ddof=1)], abs=.2)


def test_labels_do_not_cover_each_other_and_one_pair_can_be_drawn() -> None:
    look = Look(WORDS["en"])
    pair = {"line": 66.0, "hand": 66.0, "lane": 1, "lot": "L-1", "sorted": False}
    one = agreement_chart({"pairs": [pair], "bias": None, "margin": .5}, look=look, decimals=2)
    assert one is not None and one["band"] is None
    assert one["left"] < one["dots"][0]["x"] < one["right"]
    assert one["dots"][0]["y"] == one["zero"]
    alike = agreement_chart({
        "pairs": [pair] * 5, "margin": .5, "bias": {
            "mean": 0.0, "low": 0.0, "high": 0.0,
            "limits_of_agreement": {"lower": 0.0, "upper": 0.0}}}, look=look, decimals=2)
    assert alike is not None
    labels = [line["label_y"] for line in alike["lines"]]
    assert all(b - a >= LABEL_GAP for a, b in itertools.pairwise(labels))
    assert agreement_chart({"pairs": [], "bias": None, "margin": 1}, look=look, decimals=1) is None


def test_it_is_found_from_where_one_would_look(client: TestClient) -> None:
    for path in ("/lines", "/sources/belt-line-1", "/lines/line-1/change"):
        assert f'href="{PAGE}"' in get(client, path), path
    lot = "2026-07-14T11:40&amp;until=2026-07-14T11:51"
    assert f'href="{PAGE}?from={lot}"' in get(client, "/lots/L-0417")
    boxed = "2026-07-14T11:50&amp;until=2026-07-14T11:51"
    assert f'href="{PAGE}?from={boxed}"' in get(client, "/lots/L-0417/pulls/packed_box")
    assert PAGE not in get(client, "/lots/L-0417/pulls/alone")
