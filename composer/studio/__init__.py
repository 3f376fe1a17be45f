"""The studio: a server on this computer alone, and the page that it serves.

    serve.py        the verb: a port, a token, the browser          guard.py    who may ask
    app.py          every route                                      work.py     watching, auditing, the sound
    session.py      one show being worked on; refusals               jobs.py     baking and loading in a process
    texts.py        the files' texts, undo and redo                  answers.py  rig, bars, pictures for the page
    onlamps.py      the place that the page stands at, on real lamps
    score_edits.py  moves, stretches ... -> the score's text         describe.py a show as plain data
    fix_edits.py    nudges, anchors ... -> the fixes' text           packet.py   numbers in one answer
    toml_text.py    editing TOML letter by letter                    page/       plain HTML, CSS and JavaScript

Everything lies under `/TOKEN/`; API.md has every address. `GET api/state` says all that the page shows; `POST
api/edit`, `api/fix`, `api/undo` and `api/redo` change the texts and answer with the new state; `GET api/events` tells
every open page of changes. An edit names the text it was made for (`base`): if another stands in the file by then,
nothing is written (409). The light comes bar by bar, `api/piece/ID`, named by a hash of what it depends on: rolls,
which the page decodes and plays, and through whose bytes and one table (`api/rig`) it paints. The page computes no
colour and knows no effect.

Undo and redo reach back to the studio's start, in memory; a file changed by another program is a step like any other.
"""
