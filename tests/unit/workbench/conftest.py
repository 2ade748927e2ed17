from __future__ import annotations

import pytest
from dash import Dash

from latchtrace.workbench import build_app
from support.night import hostile_result, night_result


@pytest.fixture(scope="session")
def app() -> Dash:
    return build_app({"/home/someone/secret place/harbour_night.log": night_result(), "hostile": hostile_result()})
