// What the view looks like beside its picture, and its grounds in light and dark.
export const GROUND = { light: [0.965, 0.962, 0.954], dark: [0.118, 0.125, 0.14] };

const TEXT = `
.blockout-view { position: relative; width: 100%; height: 100%; min-height: 220px; overflow: hidden;
  --ink: #22252c; --faint: #5b5f69; --card: rgba(255, 254, 250, 0.94); --rim: #c9c5bb; --mark: #a84a12;
  --ground: rgb(246, 245, 243); background: var(--ground);
  color: var(--ink); font: 13px/1.35 system-ui, sans-serif; outline: none; user-select: none; }
.blockout-view.dark { --ink: #eceae4; --faint: #b3b5ba; --card: rgba(38, 41, 47, 0.95); --rim: #555a64;
  --mark: #f0a468; --ground: rgb(30, 32, 36); }
.blockout-view:focus-visible::after { content: ""; position: absolute; inset: 0; pointer-events: none;
  border: 3px solid #2f6fb3; }
.blockout-view.dark:focus-visible::after { border-color: #8cc0f5; }
.blockout-view > canvas { position: absolute; inset: 0; width: 100%; height: 100%; display: block;
  touch-action: none; cursor: grab; }
.blockout-view.turning > canvas { cursor: grabbing; }
.blockout-view.knob > canvas { cursor: move; }
.blockout-view.pen > canvas { cursor: crosshair; }
.blockout-view .over { position: absolute; inset: 0; pointer-events: none; overflow: hidden; }
.blockout-view .edge { position: absolute; color: var(--faint); font-size: 12px; white-space: nowrap; }
.blockout-view .edge.left, .blockout-view .edge.right { top: 50%; transform: translateY(-50%);
  max-width: 84px; white-space: normal; }
.blockout-view .edge.left { left: 10px; }
.blockout-view .edge.right { right: 10px; text-align: right; }
.blockout-view .edge.top { top: 8px; left: 50%; transform: translateX(-50%); }
.blockout-view .edge.bottom { bottom: 8px; left: 50%; transform: translateX(-50%); }
.blockout-view .mark { position: absolute; left: 0; top: 0; padding: 1px 6px; border-radius: 4px;
  background: var(--card); border: 1px solid var(--rim); color: var(--ink); font-size: 12px;
  white-space: nowrap; will-change: transform; font-variant-numeric: tabular-nums; }
.blockout-view button.mark { pointer-events: auto; cursor: pointer; font: inherit; font-size: 12px; }
.blockout-view button.mark:focus-visible { outline: 2px solid #2f6fb3; outline-offset: 1px; }
.blockout-view .mark.tooth { border-radius: 9px; font-weight: 600; }
.blockout-view .mark.warning { border-color: var(--mark); border-width: 1.5px; }
.blockout-view .mark.warning::before { content: "\\25B2\\00A0"; color: var(--mark); }
.blockout-view .mark.tripod::before { content: "\\2295\\00A0"; color: var(--mark); }
.blockout-view .mark.measure { border-style: dashed; }
.blockout-view .mark.away { opacity: 0.35; }
.blockout-view svg.leads { position: absolute; inset: 0; width: 100%; height: 100%; }
.blockout-view svg.leads line { stroke: var(--ink); stroke-width: 1; opacity: 0.65; }
.blockout-view svg.leads circle { fill: var(--ink); opacity: 0.8; }
.blockout-view .reading { position: absolute; z-index: 1; left: 0; top: 0; max-width: 260px; padding: 5px 9px;
  border-radius: 6px; background: var(--card); border: 1px solid var(--rim); white-space: pre-line;
  box-shadow: 0 2px 8px rgba(0, 0, 0, 0.16); font-variant-numeric: tabular-nums; }
.blockout-view .spot { position: absolute; left: -7px; top: -7px; width: 10px; height: 10px;
  border: 2px solid #fff; border-radius: 50%; box-shadow: 0 0 0 2px #16181d; }
.blockout-view .cross { position: absolute; left: 50%; top: 50%; width: 22px; height: 22px;
  transform: translate(-50%, -50%); }
.blockout-view .cross::before, .blockout-view .cross::after { content: ""; position: absolute;
  background: var(--mark); box-shadow: 0 0 0 1px var(--card); }
.blockout-view .cross::before { left: 10px; top: 0; width: 2px; height: 22px; }
.blockout-view .cross::after { top: 10px; left: 0; height: 2px; width: 22px; }
.blockout-view .note { position: absolute; left: 50%; bottom: 34px; transform: translateX(-50%);
  padding: 4px 10px; border-radius: 6px; background: var(--card); border: 1px solid var(--rim); }
.blockout-view .keys { position: absolute; z-index: 2; right: 12px; bottom: 34px; max-width: 420px; padding: 10px 14px;
  border-radius: 8px; background: var(--card); border: 1px solid var(--rim); }
.blockout-view .keys dl { display: grid; grid-template-columns: auto 1fr; gap: 2px 12px; margin: 0; }
.blockout-view .keys dt { font-weight: 600; }
.blockout-view .keys dd { margin: 0; }
.blockout-view .ask { position: absolute; right: 8px; bottom: 6px; width: 24px; height: 24px;
  border-radius: 50%; border: 1px solid var(--rim); background: var(--card); color: var(--ink);
  cursor: pointer; pointer-events: auto; font: inherit; line-height: 1; padding: 0; }
.blockout-view .unheard { position: absolute; width: 1px; height: 1px; overflow: hidden;
  clip-path: inset(50%); white-space: nowrap; }
.blockout-view .still { position: absolute; inset: 0; overflow: auto; padding: 16px; }
.blockout-view .still p { max-width: 60ch; margin: 0 0 12px; }
.blockout-view .still figure { margin: 0 0 14px; }
.blockout-view .still img { max-width: 100%; height: auto; border: 1px solid var(--rim); border-radius: 6px; }
.blockout-view .still figcaption { color: var(--faint); }
`;

export function putStyle(document) {
  if (document.getElementById("blockout-view-style")) return;
  const style = document.createElement("style");
  style.id = "blockout-view-style";
  style.textContent = TEXT;
  document.head.append(style);
}

/** Follow the page between light and dark; returns what stops it. */
export function followTheme(element, choice, changed) {
  const narrow = window.matchMedia("(prefers-color-scheme: dark)");
  let shown = "";
  const read = () => {
    const body = document.body.classList;
    let dark = narrow.matches;
    if (body.contains("body--dark")) dark = true;
    else if (body.contains("body--light")) dark = false;
    if (choice() !== "auto") dark = choice() === "dark";
    element.classList.toggle("dark", dark);
    const name = dark ? "dark" : "light";
    if (name !== shown) changed((shown = name)); // the page's classes change for much else
  };
  const watch = new MutationObserver(read);
  watch.observe(document.body, { attributes: true, attributeFilter: ["class"] });
  narrow.addEventListener("change", read);
  read();
  return {
    read,
    stop() {
      watch.disconnect();
      narrow.removeEventListener("change", read);
    },
  };
}
