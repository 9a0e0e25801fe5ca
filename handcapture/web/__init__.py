"""The page of `handcapture serve`: what the commands do, for the browsers of a computer and of a phone.

Structure:
- `server`: sockets, addresses, the code in the terminal; `cli/serve.py` calls it.
- `access`: who may see what: hosts, origins, one-time tokens, device sessions, limits, headers. Knows no pages.
- `app`: every address and its handler; forms in, pages or JSON out; nothing is worked out here.
- `pages`: contexts of the templates, made of the library's results; the drawings to export.
- `state`: what a session holds besides the journal, one `state.json` for each, written whole; histories of the table.
- `desk`: what pages work on; `kept`: the journal's documents of a session, as files.
- `jobs`: queues and worker processes (photos, fits, arrivals), server-sent events; its upper half runs in the workers.
- `table`: the layout table's numbers, and the library's judgement of what was moved.
- `texts`: all English of the page. `templates/`: HTML. `static/`: one style sheet; `app.js` (forms, uploads, live
  parts: whatever is marked `data-live` is fetched again when the session changed), `table.js` (the layout table),
  `checks.js` (findings and landing probability while dragging; held against the library by tests/test_web_checks.py).

Photos and documents are in the journal (`handcapture.journal`), by number; the folder `page` beside it can be rebuilt
from them but for what was moved on the table. No inline script or style: the content policy forbids both.
"""
