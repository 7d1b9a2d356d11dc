"""The station page in a real browser, on a running service with demonstration data."""

import re

import pytest
from axe_playwright_python.sync_playwright import Axe
from page_served import WORD, Served
from playwright.sync_api import Browser, Page, expect
from running import wait

PAGES = ["/", "/series", "/coverage", "/faults", "/standards", "/field", "/log", "/download"]
PAGES += ["/sign-in", "/day/2026-06-16"]


def ready(page: Page, times: int = 1) -> None:
    """Wait until a chart has been drawn so many times."""
    page.wait_for_function(
        "n => Number(document.querySelector('.chart').dataset.ready || 0) >= n", arg=times
    )


def first_closure(page: Page) -> None:
    page.goto("/")
    page.locator("a.tile[href]").first.click()
    page.wait_for_selector("#closure[data-ready]")


def sign_in(page: Page, word: str = WORD) -> None:
    page.goto("/sign-in")
    page.get_by_label("Your name").fill("R. Tarn")
    page.get_by_label("The station's word").fill(word)
    page.get_by_role("button", name="Sign in").click()


def test_today_shows_every_chamber_in_its_plot(page: Page, served: Served) -> None:
    """Lid, last fluxes, age and gravest flag; plots in their blocks."""
    page.goto("/")
    expect(page.get_by_role("heading", level=1)).to_have_text("What must be done today?")
    for c in served.file.station.chambers:
        plot = page.get_by_role("region", name=f"Plot {c.plot}", exact=True)
        expect(plot.locator(".tile", has_text=c.id)).to_have_count(1)
    tile = page.locator(".tile", has_text="A1")
    expect(tile.locator(".lid")).to_contain_text(re.compile("open since|closed since"))
    expect(tile).to_contain_text("N2O")
    expect(tile).to_contain_text("ago")


def test_stepping_through_closures(page: Page) -> None:
    """From a chamber to its last closure, back and forth again; three charts, each drawn."""
    first_closure(page)
    address = page.url
    heading = page.get_by_role("heading", level=1).inner_text()
    expect(page.locator(".gasbox")).to_have_count(3)
    expect(page.locator(".closure-chart .canvas canvas")).to_have_count(3)
    expect(page.locator("tr.chosen")).to_have_count(3)
    page.get_by_role("link", name="Before").click()
    expect(page.get_by_role("heading", level=1)).not_to_have_text(heading)
    page.wait_for_selector("#closure[data-ready]")
    page.get_by_role("link", name="After").click()
    expect(page).to_have_url(address)
    expect(page.get_by_role("heading", level=1)).to_have_text(heading)


def test_lines_of_a_closure_can_be_hidden(page: Page) -> None:
    first_closure(page)
    box = page.locator(".legend").first
    linear = box.get_by_label("linear")
    before = page.locator(".closure-chart .canvas canvas").first.screenshot()
    linear.uncheck()
    page.wait_for_timeout(100)
    assert page.locator(".closure-chart .canvas canvas").first.screenshot() != before


def test_looking_closer_by_buttons_and_by_dragging(page: Page) -> None:
    """Each asks the station again for that time, and for that time only."""
    page.goto("/series?gas=N2O&chamber=A1&chamber=A2")
    ready(page)
    status = page.locator(".status")
    expect(status).to_contain_text("every one drawn")
    whole = int(re.findall(r"\d+", status.inner_text())[0])
    assert whole > 40
    page.get_by_role("button", name="Closer").click()
    ready(page, 2)
    closer = int(re.findall(r"\d+", status.inner_text())[0])
    assert 0.3 * whole < closer < 0.7 * whole
    page.get_by_role("button", name="Earlier").click()
    ready(page, 3)
    page.get_by_role("button", name="All").click()
    ready(page, 4)
    expect(status).to_contain_text(f"{whole} values")
    over = page.locator(".u-over").bounding_box()
    assert over is not None
    y = over["y"] + over["height"] / 2
    page.mouse.move(over["x"] + over["width"] * 0.4, y)
    page.mouse.down()
    page.mouse.move(over["x"] + over["width"] * 0.6, y, steps=5)
    page.mouse.up()
    ready(page, 5)
    dragged = int(re.findall(r"\d+", status.inner_text())[0])
    assert 0.1 * whole < dragged < 0.35 * whole


def test_the_numbers_of_a_chart_lead_to_closures(page: Page) -> None:
    """Station time, whatever the browser's zone; each row a link."""
    page.goto("/series?gas=CO2&chamber=B2")
    ready(page)
    page.get_by_text("The numbers as a table").click()
    row = page.locator(".numbers tbody tr").first
    when = row.locator("a").inner_text()
    assert when.startswith("2026-06-1")
    row.locator("a").click()
    expect(page.get_by_role("heading", level=1)).to_contain_text("B2")
    # The middle of the closure, which the table gives, is at most an hour after its closing.
    expect(page.get_by_role("heading", level=1)).to_contain_text(when[:10])


def test_a_point_of_a_chart_opens_its_closure(page: Page) -> None:
    page.goto("/series?gas=N2O&chamber=A1")
    ready(page)
    spot = page.evaluate(
        """async () => {
          const found = await (await fetch('/data/series?gas=N2O&chamber=A1&steps=500')).json();
          const s = found.series[0], k = s.quality.findIndex((q, i) => q === 1 && i > 5);
          const x = (s.t[k] - found.from) / (found.to - found.from);
          return [x, s.closed_us[k]];
        }"""
    )
    over = page.locator(".u-over")
    size = over.bounding_box()
    assert size is not None
    for step in range(2, 99):
        over.hover(position={"x": spot[0] * size["width"], "y": size["height"] * step / 100})
        if page.locator(".u-cursor-pt").count():
            point = page.locator(".u-cursor-pt").first.evaluate(
                "e => { const m = new DOMMatrix(getComputedStyle(e).transform); return m.m42; }"
            )
            over.click(position={"x": spot[0] * size["width"], "y": point + 4.5})
            break
    expect(page).to_have_url(re.compile(rf"/closure/A1/{spot[1]}$"))


def test_by_keyboard_alone(page: Page) -> None:
    """The skip link comes first; navigation, choice and zoom need no mouse."""
    page.goto("/series")
    ready(page)
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "To the content"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "main"
    seen = []
    for _ in range(12):
        page.keyboard.press("Tab")
        seen.append(page.evaluate("document.activeElement.textContent").strip())
        if "Closer" in seen[-1]:
            break
    assert "Closer" in seen[-1], seen
    page.keyboard.press("Enter")
    ready(page, 2)


@pytest.mark.parametrize("path", PAGES)
def test_a_narrow_screen_needs_no_scrolling_aside(
    browser: Browser, served: Served, path: str
) -> None:
    """360 pixels, as a small phone has; wide tables scroll inside themselves."""
    context = browser.new_context(viewport={"width": 360, "height": 640}, base_url=served.base)
    context.set_default_timeout(90_000)
    page = context.new_page()
    page.goto(path)
    page.wait_for_timeout(400)
    width = page.evaluate("document.documentElement.scrollWidth")
    context.close()
    assert width <= 360


@pytest.mark.parametrize("path", [*PAGES, "closure"])
def test_accessibility(page: Page, path: str) -> None:
    """axe-core: WCAG 2.2 A and AA, contrast included, without a violation."""
    if path == "closure":
        first_closure(page)
    else:
        page.goto(path)
    page.wait_for_timeout(500)
    tags = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
    found = Axe().run(page, options={"runOnly": {"type": "tag", "values": tags}})
    wrong = [(v["id"], [n["html"][:120] for n in v["nodes"]]) for v in found.response["violations"]]
    assert wrong == []


def test_without_a_network_it_says_so_and_recovers(page: Page) -> None:
    page.goto("/series")
    ready(page)
    page.context.set_offline(True)
    page.get_by_role("button", name="Closer").click()
    expect(page.locator(".status")).to_contain_text("The station does not answer")
    page.context.set_offline(False)
    page.get_by_role("button", name="All").click()
    expect(page.locator(".status")).to_contain_text("drawn")


def test_a_wrong_word_opens_nothing(page: Page) -> None:
    sign_in(page, "something else")
    expect(page.get_by_role("alert")).to_have_text("That is not the word.")
    page.goto("/log")
    expect(page.get_by_role("link", name="Sign in", exact=True)).to_be_visible()
    expect(page.locator("textarea")).to_have_count(0)


def test_a_note_from_the_page_changes_fluxes_and_can_be_taken_back(
    page: Page, served: Served
) -> None:
    """A bad period is written down; the service flags its closures; taken back, it is gone."""

    def bad() -> int:
        series = served.data("/data/series?gas=CO2&chamber=B1")["series"]
        return sum(q == 4 for q in series[0]["quality"])  # type: ignore[index]

    plain = bad()
    sign_in(page)
    expect(page).to_have_url(re.compile("/log$"))
    page.get_by_label("Kind", exact=True).select_option("bad")
    page.get_by_label("What was done").fill("inlet under water")
    page.get_by_label("When, station time").fill("2026-06-17T12:00")
    page.get_by_label("Until").fill("2026-06-17T18:00")
    page.get_by_label("Chamber").select_option("B1")
    page.get_by_role("button", name="Write it down").click()
    note = page.locator(".notes li").first
    expect(note).to_contain_text("2026-06-17 12:00 to 2026-06-17 18:00")
    expect(note).to_contain_text("R. Tarn")

    wait(lambda: bad() == plain + 2, 60, served.running.raw)
    page.goto("/faults")
    expect(page.get_by_role("heading", name="marked bad")).to_be_visible()
    page.goto("/log")
    page.get_by_label(re.compile("Why take note")).first.fill("it was B2")
    page.get_by_role("button", name="Take back").first.click()
    expect(page.locator(".notes li.gone")).to_contain_text("No longer holds")
    wait(lambda: bad() == plain, 60, served.running.raw)
    page.get_by_role("button", name="Sign out").click()
    page.goto("/log")
    expect(page.locator("textarea")).to_have_count(0)


def test_what_is_wrong_in_a_note_is_said_and_nothing_is_lost(page: Page) -> None:
    sign_in(page)
    page.get_by_label("Kind", exact=True).select_option("height")
    page.get_by_label("What was done").fill("at five places")
    page.get_by_label("Amount").fill("15.8")
    page.get_by_label("Chamber").select_option("A1")
    page.get_by_role("button", name="Write it down").click()
    expect(page.get_by_role("alert")).to_contain_text("cannot be")
    expect(page.get_by_label("What was done")).to_have_value("at five places")
    expect(page.get_by_label("Amount")).to_have_value("15.8")


def test_a_download(page: Page, served: Served) -> None:
    page.goto("/download")
    page.get_by_label("closures and gaps").check()
    with page.expect_download() as waiting:
        page.get_by_role("button", name="Download").click()
    path = waiting.value.path()
    assert waiting.value.suggested_filename == "vellmark-closures.csv"
    assert path.read_text().startswith("station,chamber")
    assert len(path.read_text().splitlines()) > 250
    del served
