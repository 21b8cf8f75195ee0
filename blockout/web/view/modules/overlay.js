// Words over the picture: markers, the probe's reading, what lies at which edge, the keys.
import { dot } from "./tilt.js";

const KEYS = [
  ["Drag", "turn the cast"],
  ["Right button or Shift and drag", "move the picture"],
  ["Wheel, + and -", "nearer and further"],
  ["Arrows", "turn; with Shift move the picture"],
  ["P, O, F, B, L, R", "along the path, occlusal, front, back, left, right"],
  ["0", "all of it"],
  ["Enter", "read the place in the middle, or add a point there"],
  ["[ and ]", "choose a drawn point; Alt and arrows move it, Delete removes it"],
  ["Escape", "put the pen down"],
  ["?", "show or hide these keys"],
];

export class Overlay {
  constructor(element, { label, pressed, plusX, minusX }) {
    this.element = element;
    this.pressed = pressed;
    this.sides = { plusX, minusX };
    this.over = add(element, "div", "over");
    this.leads = document.createElementNS("http://www.w3.org/2000/svg", "svg");
    this.leads.setAttribute("class", "leads");
    this.leads.setAttribute("aria-hidden", "true");
    this.over.append(this.leads);
    this.edges = Object.fromEntries(
      ["left", "right", "top", "bottom"].map((name) => [name, add(this.over, "div", `edge ${name}`)]),
    );
    this.spot = add(this.over, "div", "spot");
    this.reading = add(this.over, "div", "reading");
    this.cross = add(this.over, "div", "cross");
    this.note = add(this.over, "div", "note");
    this.keys = add(this.over, "div", "keys");
    this.keys.id = `${element.id || "blockout-view"}-keys`;
    const list = add(this.keys, "dl", "");
    for (const [key, what] of KEYS) {
      add(list, "dt", "").textContent = key;
      add(list, "dd", "").textContent = what;
    }
    this.ask = add(this.over, "button", "ask");
    this.ask.type = "button";
    this.ask.textContent = "?";
    this.ask.setAttribute("aria-label", "Keys of the view");
    this.ask.setAttribute("aria-controls", this.keys.id);
    this.ask.addEventListener("click", () => this.toggleKeys());
    this.heard = add(element, "div", "unheard");
    this.heard.setAttribute("aria-live", "polite");
    const help = add(element, "div", "unheard");
    help.id = `${element.id || "blockout-view"}-help`;
    help.textContent = KEYS.map(([key, what]) => `${key}: ${what}`).join(". ");
    element.tabIndex = 0;
    element.setAttribute("role", "application");
    element.setAttribute("aria-roledescription", "three-dimensional view");
    element.setAttribute("aria-label", label);
    element.setAttribute("aria-describedby", help.id);
    this.markers = [];
    this.place = null;
    this.toggleKeys(false);
    for (const part of [this.spot, this.reading, this.cross, this.note]) show(part, false);
  }

  toggleKeys(on = this.keys.style.display === "none") {
    this.keys.style.display = on ? "" : "none";
    this.ask.setAttribute("aria-expanded", String(on));
  }

  setMarkers(markers, toScene) {
    for (const marker of this.markers) marker.box.remove();
    this.markers = markers.map((told) => {
      const box = document.createElement(told.key ? "button" : "div");
      if (told.key) box.type = "button";
      box.className = `mark ${told.shape ?? "point"}`;
      box.textContent = told.text;
      if (told.key) box.addEventListener("click", () => this.pressed(told.key));
      this.over.append(box);
      return { told, box, at: toScene(told.at_mm) };
    });
    for (const marker of this.markers) {
      marker.width = marker.box.offsetWidth;
      marker.height = marker.box.offsetHeight;
    }
  }

  /** What a probe answered: its words by the pointer, a ring at its place. */
  read(answer, at, pointer, aloud) {
    const found = answer && answer.point_mm;
    this.place = found ? at : null;
    show(this.spot, Boolean(found));
    const words = answer?.said ?? "";
    show(this.reading, Boolean(words));
    if (words) {
      this.reading.textContent = words;
      const [width, height] = [this.element.clientWidth, this.element.clientHeight];
      const x = Math.min(pointer.x + 16, width - this.reading.offsetWidth - 4);
      let y = pointer.y + 18;
      if (y + this.reading.offsetHeight > height - 4) y = pointer.y - 14 - this.reading.offsetHeight;
      this.reading.style.transform = `translate(${Math.max(4, x)}px, ${Math.max(4, y)}px)`;
      if (aloud) this.heard.textContent = words;
    }
  }

  forget() {
    this.place = null;
    show(this.spot, false);
    show(this.reading, false);
  }

  tellNote(words) {
    this.note.textContent = words;
    show(this.note, Boolean(words));
    if (words) this.heard.textContent = words;
  }

  showCross(on) {
    show(this.cross, on);
  }

  update(camera, axes) {
    this.nameEdges(camera, axes);
    if (this.place) {
      const { x, y } = camera.toPicture(this.place);
      this.spot.style.transform = `translate(${x}px, ${y}px)`;
    }
    this.putMarkers(camera);
  }

  /** Labels beside their places, moved off each other where they would overlap. */
  putMarkers(camera) {
    const [width, height] = camera.size;
    const taken = [];
    const drawn = [];
    const seen = this.markers
      .map((marker) => ({ marker, at: camera.toPicture(marker.at) }))
      .sort((a, b) => b.at.near - a.at.near);
    for (const { marker, at } of seen) {
      const { box, told } = marker;
      const inside = at.seen && at.x > -20 && at.y > -20 && at.x < width + 20 && at.y < height + 20;
      show(box, inside);
      if (!inside) continue;
      box.classList.toggle("away", Boolean(told.normal) && dot(told.normal, camera.toward) < -0.1);
      const [w, h] = [marker.width || box.offsetWidth, marker.height || box.offsetHeight];
      const centred = told.shape === "tooth";
      const tries = centred
        ? [[-w / 2, -h / 2], [-w / 2, -h - 8], [8, -h / 2], [-w - 8, -h / 2], [-w / 2, 8]]
        : [[10, -h - 6], [-w - 10, -h - 6], [10, 6], [-w - 10, 6], [-w / 2, -h - 26], [-w / 2, 26],
           [34, -h - 30], [-w - 34, -h - 30]];
      const free = tries.find(([dx, dy]) =>
        taken.every(
          (o) => at.x + dx > o.x + o.w || at.x + dx + w < o.x || at.y + dy > o.y + o.h || at.y + dy + h < o.y,
        ),
      );
      const [dx, dy] = free ?? tries[0];
      const x = Math.min(Math.max(2, at.x + dx), width - w - 2);
      const y = Math.min(Math.max(2, at.y + dy), height - h - 2);
      taken.push({ x, y, w, h });
      box.style.transform = `translate(${Math.round(x)}px, ${Math.round(y)}px)`;
      if (centred && free === tries[0]) continue;
      const nearX = Math.min(Math.max(at.x, x), x + w);
      const nearY = Math.min(Math.max(at.y, y), y + h);
      drawn.push(`<line x1="${at.x}" y1="${at.y}" x2="${nearX}" y2="${nearY}"/>`);
      drawn.push(`<circle cx="${at.x}" cy="${at.y}" r="2.5"/>`);
    }
    this.leads.innerHTML = drawn.join("");
  }

  /** What lies at the left, right, top and bottom of the picture. */
  nameEdges(camera, axes) {
    const named = [
      [axes.side, this.sides.plusX, this.sides.minusX],
      [axes.front, "front", "back"],
    ];
    const across = [
      ["left", "right", camera.right],
      ["bottom", "top", camera.up],
    ];
    for (const [less, more, way] of across) {
      let [low, high] = ["", ""];
      for (const [axis, plus, minus] of named) {
        const share = dot(axis, way);
        if (Math.abs(share) > 0.8) [low, high] = share > 0 ? [minus, plus] : [plus, minus];
      }
      this.edges[less].textContent = low;
      this.edges[more].textContent = high;
    }
  }
}

function add(parent, tag, kind) {
  const made = document.createElement(tag);
  if (kind) made.className = kind;
  parent.append(made);
  return made;
}

function show(element, on) {
  element.style.display = on ? "" : "none";
}
