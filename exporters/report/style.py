"""The look of the audit page: one style sheet, light and dark, wide and narrow, screen and paper."""

from __future__ import annotations

_LIGHT = """
  --paper: #fbfaf7; --panel: #ffffff; --ink: #1d2129; --soft: #626a76; --line: #dedbd3; --shade: #f3efe6;
  --high: #f2b880; --mean: #c8640f; --over: #c3142d; --budget: #1c5a92; --good: #17703c; --good-back: #e5f3e9;
  --edge: #0003; --bad: #b3122a; --bad-back: #fbe7e8; --unsure-back: #f1eee7;
"""
_DARK = """
  --paper: #12151b; --panel: #1a1e26; --ink: #e8e6e1; --soft: #9aa2ae; --line: #343a45; --shade: #222731;
  --high: #7a4a1e; --mean: #f0994a; --over: #ff5d6c; --budget: #79b4ec; --good: #7fd39c; --good-back: #16301f;
  --edge: #000a; --bad: #ff8b93; --bad-back: #3a191d; --unsure-back: #262a32;
"""

STYLE = (
    ":root { color-scheme: light dark;" + _LIGHT + "}\n"
    "@media (prefers-color-scheme: dark) { :root {" + _DARK + "} }\n"
    "@media print { :root {"
    + _LIGHT
    + "} }\n"
    + """
* { box-sizing: border-box; }
body { margin: 0; background: var(--paper); color: var(--ink); font: 16px/1.5 system-ui, "Segoe UI", Roboto, sans-serif;
  font-variant-numeric: tabular-nums; -webkit-print-color-adjust: exact; print-color-adjust: exact; }
main { max-width: 1120px; margin: 0 auto; padding: 28px 24px 48px; }
h1 { font-size: 1.1rem; font-weight: 600; color: var(--soft); margin: 0 0 10px; }
h2 { font-size: 1.35rem; margin: 44px 0 4px; }
h3 { font-size: 1.08rem; margin: 0; }
h4 { font-size: .95rem; margin: 18px 0 6px; }
p { margin: 4px 0 10px; max-width: 46rem; }
.soft, .about { color: var(--soft); }
.about { font-size: .94rem; }
.verdict { border-radius: 10px; padding: 14px 20px; border-left: 8px solid; }
.verdict p { margin: 2px 0; }
.verdict .word { max-width: none; font-size: 1.7rem; font-weight: 700; line-height: 1.25; }
.verdict.good { background: var(--good-back); border-color: var(--good); }
.verdict.good .word { color: var(--good); }
.verdict.bad { background: var(--bad-back); border-color: var(--bad); }
.verdict.bad .word { color: var(--bad); }
.verdict.unsure { background: var(--unsure-back); border-color: var(--soft); }
.verdict ul { margin: 6px 0 2px; padding-left: 1.2em; }
.good-word { color: var(--good); font-weight: 600; }
.bad-word { color: var(--bad); font-weight: 600; }
.panel { background: var(--panel); border: 1px solid var(--line); border-radius: 10px; padding: 16px 18px;
  margin: 14px 0; }
.top { display: flex; flex-wrap: wrap; gap: 4px 18px; align-items: baseline; margin-bottom: 4px; }
.key { font-size: .86rem; color: var(--soft); display: flex; flex-wrap: wrap; gap: 2px 16px; margin: 0 0 8px; }
.key i { display: inline-block; width: 14px; height: 10px; margin-right: 6px; border-radius: 2px; }
.key i.line { height: 0; border-top: 2px dashed var(--budget); vertical-align: 4px; border-radius: 0; }
.key i.round { width: 10px; border-radius: 50%; }
.key i.ramp { width: 80px; }
/* A table that goes on to the right shows it: a shadow at that edge, and its first column stays. */
.scroll { overflow-x: auto; margin: 8px 0; background:
  linear-gradient(to right, var(--paper) 30%, transparent) left / 36px 100% no-repeat local,
  linear-gradient(to left, var(--paper) 30%, transparent) right / 36px 100% no-repeat local,
  linear-gradient(to right, var(--edge), transparent) left / 14px 100% no-repeat scroll,
  linear-gradient(to left, var(--edge), transparent) right / 14px 100% no-repeat scroll; }
.panel .scroll { --paper: var(--panel); }
table { border-collapse: collapse; font-size: .93rem; min-width: 50%; }
.wraps { display: inline-block; white-space: normal; min-width: 7.5em; max-width: 13em; }
th.words, td.words { white-space: normal; text-align: left; min-width: 15em; }
th, td { padding: 5px 12px 5px 0; border-bottom: 1px solid var(--line); text-align: right; white-space: nowrap; }
th { color: var(--soft); font-weight: 500; vertical-align: bottom; white-space: normal; line-height: 1.25; }
th:first-child, td:first-child { text-align: left; font-weight: 600; }
th + th, td + td { padding-left: 14px; }
.draws { display: grid; grid-template-columns: max-content 1fr max-content max-content; gap: 3px 12px;
  font-size: .93rem; align-items: center; }
.draws .name { max-width: 17em; overflow: hidden; text-overflow: ellipsis; white-space: nowrap; }
.draws .bar { background: var(--shade); border-radius: 3px; height: 12px; }
.draws .bar i { display: block; height: 12px; border-radius: 3px; background: var(--mean); }
.draws .number { text-align: right; }
.over-song { display: grid; grid-template-columns: 52px 1fr; column-gap: 8px; font-size: .78rem; color: var(--soft);
  break-inside: avoid; }
.over-song .names { grid-column: 2; position: relative; height: 1.5em; }
.over-song .names span { position: absolute; padding-left: 5px; border-left: 1px solid var(--line); overflow: hidden;
  text-overflow: ellipsis; white-space: nowrap; height: 100%; }
.over-song .marks { position: relative; grid-column: 1; }
.over-song .marks span { position: absolute; right: 0; transform: translateY(-50%); white-space: nowrap; }
.over-song .marks .zero { transform: translateY(-100%); }
.over-song .marks .budget { color: var(--budget); font-weight: 700; }
.over-song .picture { position: relative; border: 1px solid var(--line); grid-column: 2; }
.over-song.plot .picture { height: 210px; }
.over-song svg { position: absolute; inset: 0; width: 100%; height: 100%; }
.over-song .what { text-align: right; }
.over-song .numbers { position: relative; height: 1.5em; grid-column: 2; }
.over-song .numbers span { position: absolute; padding-left: 2px; border-left: 1px solid var(--line);
  line-height: 1.4; }
.over-song.strip .picture { height: 56px; }
.over-song.strip img { width: 100%; height: 100%; display: block; image-rendering: pixelated; }
.over-song.strip .marks span { transform: none; font-size: .72rem; }
.over-song.strip .marks .end { bottom: 0; }
svg .shade0 { fill: var(--shade); } svg .shade1 { fill: none; }
/* The strokes keep a peak of one frame a whole dot wide, however narrow the plot. */
svg .high, svg .over { stroke-width: 1px; vector-effect: non-scaling-stroke; }
svg .high { fill: var(--high); stroke: var(--high); } svg .mean { fill: var(--mean); } 
svg .over { fill: var(--over); stroke: var(--over); }
svg .barline { stroke: var(--soft); stroke-opacity: .13; stroke-width: 1px; vector-effect: non-scaling-stroke; }
svg .barline.strong { stroke-opacity: .34; }
svg .budget { stroke: var(--budget); stroke-width: 2px; stroke-dasharray: 7 4; vector-effect: non-scaling-stroke; }
svg .tip { fill: transparent; } svg .tip:hover { fill: var(--ink); fill-opacity: .1; }
.picture .dot { position: absolute; width: 12px; height: 12px; margin: -6px; border-radius: 50%; background: var(--ink);
  border: 2px solid var(--panel); pointer-events: none; }
.picture .mark { position: absolute; transform: translateY(-50%); color: var(--ink); background: var(--panel);
  border: 1px solid var(--line); border-radius: 4px; padding: 0 5px; white-space: nowrap; pointer-events: none; }
.picture .mark.right { margin-left: 11px; }
.picture .mark.left { transform: translate(-100%, -50%); margin-left: -11px; }
ul.plain { padding-left: 1.2em; max-width: 48rem; } ul.plain li { margin: 5px 0; }
footer { margin-top: 40px; color: var(--soft); font-size: .88rem; }
@media screen and (max-width: 640px) {
  .scroll thead { display: none; } .scroll table, .scroll tbody, .scroll tr { display: block; }
  .scroll tr { border-bottom: 1px solid var(--line); padding: 6px 0; }
  .scroll td, .sheet .scroll td { display: flex; justify-content: space-between; gap: 12px; border: 0; padding: 1px 0;
    white-space: normal; text-align: right; }
  .scroll td:first-child { justify-content: flex-start; }
  .scroll td::before { content: attr(data-head); color: var(--soft); text-align: left; }
  .wraps, td.words { min-width: 0; }
}
@media (max-width: 640px) {
  main { padding: 18px 14px 36px; }
  .panel { padding: 12px; }
  .verdict .word { font-size: 1.4rem; }
  .over-song { grid-template-columns: 42px 1fr; column-gap: 6px; }
  .over-song .numbers .fine { display: none; }
  .over-song.plot .picture { height: 180px; }
  .draws { gap: 6px 9px; } .draws .name { max-width: 9.5em; white-space: normal; line-height: 1.2; }
  .over-song .names span { padding-left: 3px; }
}
@media print {
  body { font-size: 11pt; background: none; } main { padding: 0; max-width: none; }
  .panel, table, .verdict { break-inside: avoid; } h2, h3, h4 { break-after: avoid; }
  .scroll { overflow: visible; background: none; }
}
"""
)

SHEET_STYLE = """
.sheet { break-before: page; margin-bottom: 56px; }
.sheet:first-child { break-before: auto; }
.sheet h2.supply { font-size: 1.9rem; margin: 0 0 8px; border-bottom: 3px solid var(--ink); padding-bottom: 4px; }
.sheet h2.supply span, .sheet h4 span { color: var(--soft); font-weight: 400; font-size: 1.05rem; margin-left: .8em; }
.sheet h4 span { font-size: .92rem; }
.sheet h3 { margin: 22px 0 6px; }
.boxes { display: grid; grid-template-columns: repeat(auto-fit, minmax(180px, 1fr)); gap: 10px; margin: 10px 0; }
.boxes div { border: 1px solid var(--line); border-radius: 8px; padding: 8px 12px; background: var(--panel); }
.boxes span { display: block; font-size: .86rem; line-height: 1.3; } .boxes b { font-size: 1.35rem; }
.sheet td { line-height: 1.25; vertical-align: top; }
.remarks { border-left: 5px solid var(--bad); background: var(--bad-back); padding: 6px 14px; border-radius: 6px;
  break-inside: avoid; }
.remarks b { color: var(--bad); } .remarks ul { margin: 2px 0; padding-left: 1.2em; }
.tick { display: inline-block; width: 13px; height: 13px; border: 1.5px solid var(--ink); border-radius: 2px; }
.string { border: 1px solid var(--line); border-radius: 8px; background: var(--panel); padding: 10px 14px;
  margin: 10px 0; break-inside: avoid; }
.string h4 { margin: 0 0 2px; font-size: 1.05rem; }
.string ul.plain { max-width: none; margin: 4px 0; font-size: .93rem; } .string ul.plain li { margin: 2px 0; }
.line { position: relative; height: 58px; margin: 2px 8px; font-size: .78rem; }
.line .rail { position: absolute; left: 0; right: 0; top: 36px; height: 5px; background: var(--mean);
  border-radius: 2px; }
.line .feed { position: absolute; top: 22px; margin-left: -6px; border: 6px solid transparent; border-bottom: 0;
  border-top: 13px solid var(--budget); }
.line .feed.other { border-top-color: var(--soft); }
.line .cut { position: absolute; top: 31px; width: 4px; height: 15px; margin-left: -2px; background: var(--panel);
  border-left: 1.5px solid var(--bad); border-right: 1.5px solid var(--bad); }
.line b { position: absolute; font-weight: 500; white-space: nowrap; line-height: 1; }
.line b.row0 { top: 5px; } .line b.row1 { top: 46px; }
.line b.middle { transform: translateX(-50%); } .line b.left { transform: translateX(-100%); }
.steps { max-width: 48rem; padding-left: 1.4em; } .steps li { margin: 4px 0; }
@media print { .sheet { margin-bottom: 0; } .sheet table { font-size: 8.5pt; }
  .sheet th, .sheet td { padding: 3px 5px; }
  .sheet th + th, .sheet td + td { padding-left: 7px; } .sheet p, .sheet li { font-size: 9.5pt; }
  .boxes { grid-template-columns: repeat(4, 1fr); } .boxes b { font-size: 13pt; }
  .sheet h3 { margin: 12px 0 4px; } .scroll { overflow: visible; background: none; } }
"""
