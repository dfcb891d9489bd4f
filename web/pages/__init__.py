"""One router a screen. `mount_board` and `mount_pages` put them all on the app."""

from fastapi import FastAPI


def mount_board(app: FastAPI) -> None:
    """Add the board, before any other route: routes are tried one after another, and every open screen asks
    for the board at the same moment."""
    from web.pages import board

    app.include_router(board.router)


def mount_pages(app: FastAPI) -> None:
    """Add every other page to the app, and say how problems look to people."""
    from api.errors import set_page_renderer
    from web.pages import (
        access,
        access_staff,
        body,
        buying,
        call,
        call_record,
        cover,
        danger_signs,
        debrief,
        demo,
        flags,
        forecast_sources,
        forecasts,
        hands_on,
        invitations,
        kitlists,
        locker,
        mountain,
        nights,
        own_health,
        paper,
        past,
        phone,
        preferences,
        ropes_check,
        roster,
        seasons,
        self_report,
        watchers,
    )
    from web.rendering import problem_page, set_shell

    set_page_renderer(app, problem_page)
    set_shell(app, demo.shell)
    for screen in (
        access,
        access_staff,
        nights,
        body,
        danger_signs,
        preferences,
        demo,
        roster,
        kitlists,
        forecast_sources,
        forecasts,
        flags,
        ropes_check,
        hands_on,
        paper,
        invitations,
        own_health,
        self_report,
        phone,
        buying,
        locker,
        cover,
        mountain,
        call,
        call_record,
        past,
        debrief,
        seasons,
        watchers,
    ):
        app.include_router(screen.router)
