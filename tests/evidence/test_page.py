"""The weekly page: one file, safe, and drawn by a real browser."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest
from works_folder import PRODUCTS, around, make_works

import qa_tools as qa

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome"))), None
)


@pytest.fixture(scope="module")
def page(demo_works: qa.Works, tmp_path_factory: pytest.TempPathFactory) -> Path:
    return qa.weekly_page(qa.review(demo_works), tmp_path_factory.mktemp("page") / "week.html")


def test_the_page_is_one_file_and_the_same_each_time(page: Path, demo_works: qa.Works) -> None:
    again = qa.weekly_page(qa.review(demo_works), page.parent / "again.html")
    assert again.read_bytes() == page.read_bytes()
    assert page.stat().st_size < 3_000_000


def test_text_from_the_files_stays_text(tmp_path: Path) -> None:
    evil = "<script>alert(1)</script>"
    products = PRODUCTS.replace("Test bar", evil)
    works = make_works(tmp_path, [*around(121.0), 1210.0], products=products)
    text = qa.weekly_page(qa.review(works), tmp_path / "p.html").read_text(encoding="utf-8")
    assert "alert(1)" in text and evil not in text


def test_a_week_with_fresh_bars_only_has_a_page(tmp_path: Path) -> None:
    weights = "batch,stage,when,slot1,slot2,unit\nB1,cut,2026-09-02,131,130,g\n"
    path = qa.weekly_page(qa.review(make_works(tmp_path, weights)), tmp_path / "p.html")
    assert "Fresh from the cutter" in path.read_text(encoding="utf-8")


@pytest.fixture
def browser() -> Iterator[object]:
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as driver:
        arguments = ["--no-sandbox", "--disable-gpu", "--disable-background-networking"]
        window = driver.chromium.launch(executable_path=CHROMIUM, args=arguments)
        yield window
        window.close()


@pytest.mark.browser
def test_a_real_browser_draws_everything_and_asks_for_nothing(page: Path, browser: object) -> None:
    tab = browser.new_page(viewport={"width": 1100, "height": 900})  # type: ignore[attr-defined]
    said: list[str] = []
    asked: list[str] = []
    tab.on("console", lambda message: said.append(message.text))
    tab.on("pageerror", lambda error: said.append(str(error)))
    tab.on("request", lambda request: asked.append(request.url))
    tab.goto(page.as_uri())
    tab.wait_for_selector("body[data-drawn=yes]", timeout=30_000)
    assert said == []
    # the file itself and nothing from any network
    assert [url for url in asked if not url.startswith(("blob:", "data:"))] == [page.as_uri()]
    rows = tab.locator("#batches tbody tr")
    assert rows.count() == 5
    assert "would fail" in tab.locator("#batches").inner_text()
    places = tab.locator(".picture")
    assert places.count() == 5  # the week against its labels, and a chart of each product and stage
    for i in range(places.count()):
        assert places.nth(i).locator("svg.main-svg .scatterlayer path.point").count() > 10
    overflow = "document.documentElement.scrollWidth > document.documentElement.clientWidth"
    assert not tab.evaluate(overflow)
