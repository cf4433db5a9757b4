"""The look of the printed and shown page: a log sheet.  No asset from anywhere, light and dark by the system.

States differ by shape and word first; colour only repeats them (hues that red-green blindness keeps apart), and
on paper everything stands in grey.
"""

from __future__ import annotations

STYLE = """
:root{color-scheme:light dark;--paper:#faf7f0;--ink:#1d2327;--soft:#5b6468;--rule:#cfc8b8;--raised:#fffdf8;
--loss:#9c2a10;--person:#7a5200;--well:#0b5f66;--note:#4d5a60}
@media(prefers-color-scheme:dark){:root{--paper:#12191b;--ink:#e9e6dd;--soft:#a3adae;--rule:#37443f;--raised:#192225;
--loss:#ff9a7a;--person:#f0c060;--well:#74cdd2;--note:#aeb9bb}}
*{box-sizing:border-box}
html{font:17px/1.45 Georgia,"Iowan Old Style","Noto Serif",serif;background:var(--paper);color:var(--ink)}
body{margin:0 auto;max-width:68rem;padding:1.2rem 1rem 4rem;overflow-wrap:anywhere}
h1,h2,h3,th,.figure,.tag,nav,summary,.small{font-family:"Segoe UI","Noto Sans","Helvetica Neue",Arial,sans-serif}
h1{font-size:1.15rem;margin:0;font-weight:600;letter-spacing:.02em}
h2{font-size:1.15rem;margin:2.4rem 0 .6rem;padding-top:.5rem;border-top:3px double var(--rule)}
h3{font-size:1rem;margin:.2rem 0}
.headline{font-size:1.7rem;line-height:1.2;margin:.5rem 0 .3rem}
.small{font-size:.82rem;color:var(--soft)}
a{color:inherit}time{white-space:nowrap}
a:focus-visible,summary:focus-visible{outline:3px solid var(--well);outline-offset:2px}
nav{font-size:.85rem;margin:.8rem 0;display:flex;flex-wrap:wrap;gap:.3rem 1.1rem}
.tag{white-space:nowrap;font-weight:600;font-size:.85rem;display:inline-flex;gap:.4em;align-items:center}
.tag svg{width:1.05em;height:1.05em;flex:none}
.loss{color:var(--loss)}.person{color:var(--person)}.well,.have{color:var(--well)}
.note,.waived,.unlooked{color:var(--note)}.due{color:var(--person)}.lost{color:var(--loss)}
ol.calls{list-style:none;margin:0;padding:0}
ol.calls>li{display:grid;grid-template-columns:7.5rem 1fr;gap:.1rem 1rem;padding:.6rem 0;
border-bottom:1px solid var(--rule)}
ol.calls p{margin:0}
.next::before{content:"Next: ";font-weight:600}
table{border-collapse:collapse;width:100%}
th{font-size:.78rem;text-align:left;color:var(--soft);font-weight:600}
tbody th{font-size:.95rem;color:var(--ink)}tbody th .small{font-weight:400}
td,th{padding:.45rem .6rem .45rem 0;vertical-align:top;border-bottom:1px solid var(--rule)}
.figure{font-size:1.35rem;font-variant-numeric:tabular-nums;font-weight:600;white-space:nowrap}
.num{font-variant-numeric:tabular-nums}
.sign{min-width:9rem;border-bottom:1px solid var(--ink);display:inline-block}
.probe{background:var(--raised);border:1px solid var(--rule);padding:.8rem;margin:0 0 1rem;break-inside:avoid;
content-visibility:auto;contain-intrinsic-size:auto 22rem}
.strip3{display:grid;grid-template-columns:repeat(auto-fit,minmax(12rem,1fr));gap:.5rem;margin:.5rem 0}
figure{margin:0}figure img{width:100%;height:auto;display:block}
.shown img{width:auto;max-width:100%;height:auto}.shown figure{margin:.5rem 0}
.balls{display:flex;flex-wrap:wrap;gap:.5rem 1rem;margin:.5rem 0}.balls img{width:10rem}.balls figure{max-width:10rem}
figcaption{font-size:.78rem;color:var(--soft)}
dl{display:grid;grid-template-columns:repeat(auto-fit,minmax(9rem,1fr));gap:.3rem 1rem;margin:.4rem 0}
dt{font-size:.78rem;color:var(--soft)}dd{margin:0}
.below{display:flex;flex-wrap:wrap;gap:.5rem 2rem;align-items:end}.stops{flex:1 1 16rem;max-width:30rem}
.chart{width:100%;height:auto}
.day{width:100%;height:auto;min-width:38rem}
.scroll{overflow-x:auto}.whole{white-space:nowrap}thead .small{font-weight:400;display:block}
svg text{font-family:"Segoe UI","Noto Sans",Arial,sans-serif;fill:var(--ink)}
.bar{fill:var(--rule);stroke:var(--soft)}.openbar{stroke-dasharray:4 3}
.tick{stroke:var(--rule)}.dot{fill:none;stroke:var(--ink);stroke-width:2}.dot.full{fill:var(--ink)}
.hist{fill:var(--soft)}
.caution{border:2px solid var(--ink);padding:.7rem .9rem;margin:1.2rem 0}
.caution p{margin:.2rem 0}
@media(max-width:44rem){ol.calls>li{grid-template-columns:1fr}
table.cards thead,table.asks thead{position:absolute;clip-path:inset(50%);width:1px;height:1px;overflow:hidden}
table.cards tr,table.asks tr{display:block;padding:.5rem 0;border-bottom:1px solid var(--rule)}
table.cards td,table.asks td,table.cards th,table.asks th{display:block;border:0;padding:.1rem 0}
table.cards td::before{content:attr(data-of) " ";font-size:.78rem;color:var(--soft)}}
@media print{:root{--paper:#fff;--ink:#000;--soft:#444;--rule:#999;--raised:#fff;--loss:#000;--person:#000;--well:#000;
--note:#444}html{font-size:10pt}nav{display:none}body{max-width:none;padding:0}.probe{content-visibility:visible}
h2{break-after:avoid}tr,ol.calls>li{break-inside:avoid}.day{min-width:0}}
"""
