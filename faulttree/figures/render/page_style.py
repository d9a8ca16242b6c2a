"""The page's style sheet: light and dark by the reader's screen, black on white in print."""

from __future__ import annotations

from faulttree.diagram.palette import DARK, LIGHT, OKABE_ITO

__all__ = ["STYLE"]

_LIGHT = {
    "ink": LIGHT.ink,
    "paper": LIGHT.paper,
    "quiet": LIGHT.quiet,
    "line": "#C8C8C8",
    "soft": "#F3F5F7",
    "link": "#005A8E",
    "blue": OKABE_ITO["blue"],
    "vermillion": OKABE_ITO["vermillion"],
    "green": OKABE_ITO["bluish green"],
    "purple": OKABE_ITO["reddish purple"],
}
_DARK = _LIGHT | {
    "ink": DARK.ink,
    "paper": DARK.paper,
    "quiet": DARK.quiet,
    "line": "#4A4A4A",
    "soft": "#1E2226",
    "link": OKABE_ITO["sky blue"],
    "blue": OKABE_ITO["sky blue"],
    "vermillion": OKABE_ITO["orange"],
}


def _names(colours: dict[str, str]) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in colours.items())


STYLE = (
    f":root{{{_names(_LIGHT)}}}"
    f"@media screen and (prefers-color-scheme:dark){{:root{{{_names(_DARK)}}}}}"
    + """
body{line-height:1.5;font-size:16px}
header,nav,main{max-width:1080px;margin:0 auto;padding:0 20px}
header{padding-top:28px}
h1{font-size:1.7em;line-height:1.2;margin:0 0 .3em}
h2{font-size:1.35em;margin:2.2em 0 .3em;padding-top:.6em;border-top:2px solid var(--ink)}
h3{font-size:1.08em;margin:1.8em 0 .4em}
p{margin:.4em 0;max-width:75ch}
a{color:var(--link)}
a:focus-visible,.scroll:focus-visible,summary:focus-visible{outline:3px solid var(--blue);
outline-offset:2px}
.skip{position:absolute;left:-999em}.skip:focus{left:8px;top:8px;background:var(--paper);padding:6px}
code{font-family:'DejaVu Sans Mono',Menlo,Consolas,monospace;font-size:.86em;
overflow-wrap:anywhere}
small{color:var(--quiet);font-size:.86em}
.notice{border-left:6px solid var(--vermillion);padding:.3em .8em;background:var(--soft)}
nav ul{columns:3 14em;list-style:none;padding:.6em 0;margin:0}
nav li{break-inside:avoid}
.scroll{overflow-x:auto}
table{border-collapse:collapse;width:100%;font-size:.86em;margin:.6em 0;
font-variant-numeric:tabular-nums}
caption{text-align:left;color:var(--quiet);padding-bottom:.3em}
th,td{text-align:left;vertical-align:top;padding:.34em .6em;border-bottom:1px solid var(--line);
overflow-wrap:anywhere;min-width:4.2em}
thead th{border-bottom:2px solid var(--ink);overflow-wrap:normal}
tbody th{font-weight:normal;min-width:11em}
.same{color:var(--quiet)}
.n{white-space:nowrap}
.few,.kind{border:1px solid currentColor;border-radius:3px;padding:0 .35em;font-size:.8em;
white-space:nowrap}
.few{color:var(--quiet)}
.kind{color:var(--link)}
.proposals>li{margin:.7em 0}
.proposals p{max-width:80ch}
figure{margin:1em 0;max-width:720px}
figcaption{color:var(--quiet);font-size:.86em}
figure.diagram{max-width:none}
.diagram img{max-width:100%;max-height:1400px;height:auto;display:block;
border:1px solid var(--line)}
.plot{width:100%;height:auto;font-size:12px;fill:var(--ink)}
.plot .quiet,.plot .tick{fill:var(--quiet);font-size:11px}
.plot .grid{stroke:var(--line);stroke-width:1;fill:none}
.plot .whisker{stroke:var(--blue);stroke-width:2;fill:none}
.plot .dot{fill:var(--blue);stroke:var(--blue);stroke-width:2}
.plot .dot.open{fill:var(--paper)}
.plot .box{fill:var(--soft);stroke:var(--blue);stroke-width:1.6}
.plot .median{stroke:var(--vermillion);stroke-width:3;fill:none}
.plot .line{fill:none;stroke-width:2}
.blue .line{stroke:var(--blue)}.blue .mark,.blue .name{fill:var(--blue)}
.vermillion .line{stroke:var(--vermillion);stroke-dasharray:7 3}
.vermillion .mark,.vermillion .name{fill:var(--vermillion)}
.green .line{stroke:var(--green);stroke-dasharray:2 3}.green .mark,.green .name{fill:var(--green)}
.purple .line{stroke:var(--purple);stroke-dasharray:9 3 2 3}
.purple .mark,.purple .name{fill:var(--purple)}
.series .name{fill:var(--ink)}
@page{size:A4;margin:14mm 13mm}
@media print{
body{font-size:9.5pt}
header,main{max-width:none;padding:0}
nav,.skip{display:none}
section+section.tree{break-before:page}
h2{border-top:0;margin-top:0}
h3,caption{break-after:avoid}
tr,figure,.proposals>li{break-inside:avoid}
thead{display:table-header-group}
.scroll{overflow:visible}
table{font-size:7.6pt}
th,td{min-width:0;padding:.25em .45em}
tbody th{min-width:8em}
figure{max-width:150mm}
.diagram img{max-height:235mm;width:auto;margin:0 auto;border:0}
a{color:inherit;text-decoration:none}
}
""".replace("\n", "")
)
