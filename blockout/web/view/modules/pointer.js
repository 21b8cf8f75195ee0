// Mouse, touch and keys: what they ask of the view.
const CLICK_PX = 4;
const TURN = 0.0075;
const HOVER_MS = 70;

const KEY_VIEWS = { p: "path", o: "occlusal", f: "front", b: "back", l: "left", r: "right" };

export class Pointer {
  constructor(view, element, canvas) {
    this.view = view;
    this.element = element;
    this.canvas = canvas;
    this.down = new Map();
    this.grip = null;
    this.hoverTimer = 0;
    this.stop = new AbortController();
    const on = (target, name, act, more = {}) =>
      target.addEventListener(name, act, { signal: this.stop.signal, ...more });
    on(canvas, "pointerdown", (event) => this.press(event));
    on(canvas, "pointermove", (event) => this.move(event));
    on(canvas, "pointerup", (event) => this.release(event));
    on(canvas, "pointercancel", (event) => this.release(event, true));
    on(canvas, "pointerleave", () => this.leave());
    on(canvas, "wheel", (event) => this.wheel(event), { passive: false });
    on(canvas, "contextmenu", (event) => event.preventDefault());
    on(element, "keydown", (event) => this.key(event));
    on(element, "blur", () => view.overlay.showCross(false));
  }

  dispose() {
    clearTimeout(this.hoverTimer);
    this.stop.abort();
  }

  at(event) {
    const box = this.canvas.getBoundingClientRect();
    return { x: event.clientX - box.left, y: event.clientY - box.top };
  }

  press(event) {
    const { view } = this;
    const at = this.at(event);
    this.element.focus({ preventScroll: true });
    view.overlay.showCross(false);
    this.canvas.setPointerCapture(event.pointerId);
    this.down.set(event.pointerId, at);
    clearTimeout(this.hoverTimer);
    if (this.down.size === 2) {
      this.grip = { kind: "pinch", ...this.pinch() };
      return;
    }
    const grip = { start: at, last: at, moved: false, shift: event.shiftKey };
    const handle = event.button === 0 ? view.drawing.under(view.camera, at.x, at.y) : -1;
    if (handle >= 0) {
      view.drawing.choose(handle);
      this.grip = { ...grip, kind: "handle", handle };
    } else if (event.button === 0 && view.path.spindle.under(view.camera, at.x, at.y)) {
      this.grip = { ...grip, kind: "knob", offset: view.path.grip(view.camera, at) };
    } else if (event.button !== 0 || (event.shiftKey && !view.drawing.editable)) {
      this.grip = { ...grip, kind: "pan", plain: event.button === 0 };
    } else {
      this.grip = { ...grip, kind: "turn" };
    }
    this.element.classList.add("turning");
    view.picture.busy = true;
  }

  move(event) {
    const { view } = this;
    const at = this.at(event);
    if (!this.down.has(event.pointerId)) {
      const handle = view.drawing.under(view.camera, at.x, at.y) >= 0;
      const knob = handle || view.path.spindle.under(view.camera, at.x, at.y);
      this.element.classList.toggle("knob", knob);
      this.hover(at, knob);
      return;
    }
    this.down.set(event.pointerId, at);
    const { grip } = this;
    if (!grip) return;
    if (grip.kind === "pinch") {
      const now = this.pinch();
      view.camera.pan(now.x - grip.x, now.y - grip.y);
      view.camera.zoom(grip.span / Math.max(now.span, 1));
      Object.assign(grip, now);
      view.steering.moved();
      return;
    }
    if (!grip.moved && Math.hypot(at.x - grip.start.x, at.y - grip.start.y) < CLICK_PX) return;
    const [dx, dy] = [at.x - grip.last.x, at.y - grip.last.y];
    grip.moved = true;
    grip.last = at;
    if (grip.kind === "turn") {
      view.steering.leaveView();
      view.camera.orbit(dx * TURN, dy * TURN);
      view.steering.moved();
    } else if (grip.kind === "pan") {
      view.camera.pan(dx, dy);
      view.steering.moved();
    } else if (grip.kind === "knob") {
      view.dragKnob({ x: at.x + grip.offset.x, y: at.y + grip.offset.y });
    } else if (grip.kind === "handle") {
      view.probing.dragHandle(grip.handle, at);
    }
  }

  release(event, cancelled = false) {
    const { view, grip } = this;
    const at = this.at(event);
    this.down.delete(event.pointerId);
    if (!grip || (grip.kind === "pinch" && this.down.size)) {
      this.grip = null;
      return;
    }
    this.grip = null;
    this.element.classList.remove("turning");
    view.picture.busy = false;
    view.redraw();
    if (cancelled && grip.kind !== "knob") return;
    if (grip.kind === "handle" && grip.moved) view.probing.dropHandle(grip.handle, at);
    else if (grip.kind === "knob") view.steering.dropKnob();
    else if (!grip.moved && (grip.kind === "turn" || grip.plain)) {
      view.probing.click(at, { shift: grip.shift, aloud: false });
    }
  }

  leave() {
    clearTimeout(this.hoverTimer);
    if (!this.grip) this.view.probing.stopHover();
  }

  hover(at, busy) {
    clearTimeout(this.hoverTimer);
    if (busy) {
      this.view.probing.stopHover();
      return;
    }
    const now = performance.now();
    if (now - (this.lastHover ?? 0) >= HOVER_MS) {
      this.lastHover = now;
      this.view.probing.hover(at);
    } else {
      this.hoverTimer = setTimeout(() => {
        this.lastHover = performance.now();
        this.view.probing.hover(at);
      }, HOVER_MS);
    }
  }

  pinch() {
    const [a, b] = [...this.down.values()];
    return { x: (a.x + b.x) / 2, y: (a.y + b.y) / 2, span: Math.hypot(a.x - b.x, a.y - b.y) };
  }

  wheel(event) {
    event.preventDefault();
    const { view } = this;
    const at = this.at(event);
    const [width, height] = view.camera.size;
    const lines = event.deltaMode === 1 ? 16 : 1;
    const factor = Math.exp(Math.max(-1, Math.min(1, 0.0015 * lines * event.deltaY)));
    view.camera.zoom(factor, (2 * at.x) / width - 1, 1 - (2 * at.y) / height);
    view.steering.moved();
  }

  key(event) {
    if (event.target !== this.element || event.ctrlKey || event.metaKey) return;
    const { view } = this;
    const arrows = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    const step = arrows[event.key];
    const middle = { x: view.camera.size[0] / 2, y: view.camera.size[1] / 2 };
    if (step && event.altKey) {
      view.probing.nudgeHandle(step[0], step[1]);
    } else if (step && event.shiftKey) {
      view.camera.pan(-24 * step[0], -24 * step[1]);
      view.overlay.showCross(true);
      view.steering.moved();
    } else if (step) {
      view.steering.leaveView();
      view.camera.orbit(-0.087 * step[0], -0.087 * step[1]);
      view.overlay.showCross(true);
      view.steering.moved();
    } else if (event.key === "+" || event.key === "=") {
      view.camera.zoom(1 / 1.15);
      view.steering.moved();
    } else if (event.key === "-" || event.key === "_") {
      view.camera.zoom(1.15);
      view.steering.moved();
    } else if (event.key === "0") {
      view.zoomToFit();
    } else if (event.key === "Enter") {
      view.overlay.showCross(true);
      view.probing.click(middle, { shift: event.shiftKey, aloud: true });
    } else if (event.key === "Delete" || event.key === "Backspace") {
      if (!view.drawing.editable) return;
      view.drawing.removeChosen();
    } else if (event.key === "[" || event.key === "]") {
      view.drawing.step(event.key === "]" ? 1 : -1);
    } else if (event.key === "Escape") {
      if (view.drawing.editable) view.drawing.end();
      else view.probing.stopHover();
      view.overlay.toggleKeys(false);
    } else if (event.key === "?") {
      view.overlay.toggleKeys();
    } else if (KEY_VIEWS[event.key.toLowerCase()] && !event.altKey) {
      view.chooseView(KEY_VIEWS[event.key.toLowerCase()]);
    } else {
      return;
    }
    event.preventDefault();
  }
}
