"""The demo served for measuring, with a bare route beside it that answers with the same bytes.

Run as a process of its own: `python -m tests.bench.board_server FOLDER`; it prints its address.
"""

from __future__ import annotations

import sys
from pathlib import Path

from starlette.responses import Response

from api import upgrade
from api.main import create_app
from api.opening import make_clock, open_database
from api.server import make_server, settle_memory
from api.settings import Settings
from seeds import demo, loading


def main(folder: Path) -> None:
    """Serve until stopped."""
    settings = Settings(
        demo=True,
        database_url=f"sqlite:///{folder / 'demo.sqlite3'}",
        data_dir=folder,
        port=0,
        access_log=False,
        log_level="warning",
    )
    db = open_database(settings)
    upgrade.migrate(db, data_dir=folder, clock=make_clock(settings))
    loading.seed(db)
    db.close()
    app = create_app(settings)

    @app.get("/bare")
    async def bare() -> Response:
        outfit = demo.scenario().data["outfit"]["id"]
        written, _ = await app.state.readiness.board_json(app.state.db, outfit, demo.scenario().trip)
        app.state.bare = written
        return Response(written, media_type="application/json")

    @app.get("/bare-bytes")
    async def bare_bytes() -> Response:
        return Response(app.state.bare, media_type="application/json")

    server = make_server(app, settings, lambda address: print(address, flush=True))
    settle_memory()
    server.run()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
