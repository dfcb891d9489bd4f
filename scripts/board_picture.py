"""Makes docs/board.png: the demo's board as a browser shows it. `python -m scripts.board_picture`."""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from playwright.sync_api import sync_playwright

from api import upgrade
from api.main import create_app
from api.opening import make_clock, open_database
from api.settings import Settings
from scripts.test_tools import browser
from seeds import demo, loading
from tests.support.live import CHROMIUM_FLAGS, served

PICTURE = Path(__file__).resolve().parent.parent / "docs" / "board.png"
WIDTH, HEIGHT = 1180, 1640


def main() -> int:
    """Seed a demo of its own, serve it, and photograph its board."""
    with tempfile.TemporaryDirectory() as folder:
        settings = Settings(
            demo=True,
            database_url=f"sqlite:///{folder}/demo.sqlite3",
            data_dir=Path(folder),
            port=0,
            access_log=False,
            log_level="warning",
        )
        db = open_database(settings)
        upgrade.migrate(db, data_dir=settings.data_dir, clock=make_clock(settings))
        loading.seed(db)
        db.close()
        with served(create_app(settings), settings) as server, sync_playwright() as playwright:
            chromium = playwright.chromium.launch(executable_path=str(browser()), args=list(CHROMIUM_FLAGS))
            page = chromium.new_page(viewport={"width": WIDTH, "height": HEIGHT})
            page.goto(f"{server.url}/trips/{demo.scenario().trip}")
            page.wait_for_timeout(800)
            page.screenshot(path=str(PICTURE))
            chromium.close()
    print(f"{PICTURE.name} made")
    return 0


if __name__ == "__main__":
    sys.exit(main())
