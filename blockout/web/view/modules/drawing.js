// The line or outline under the pen: its points, and what pointer and keys do to them. Places on
// the surface come from the server, which answers rays.
import { DOT_FRAGMENT, DOT_VERTEX } from "./shaders.js";
import { Lines } from "./lines.js";

const COLOUR = [0.77, 0.34, 0.1];
const CHOSEN = [0.1, 0.32, 0.6];
const HANDLE_PX = 13;

export class Drawing {
  /** `toScene` takes file coordinates to the scene; `changed` is told of every change by hand. */
  constructor(THREE, { shared, toScene, changed, ended, redraw }) {
    Object.assign(this, { THREE, toScene, changed, ended, redraw });
    this.group = new THREE.Group();
    this.lines = new Lines(THREE, {
      shared,
      style: { colour: COLOUR, width_px: 2, through: 0.45, dash_mm: 0 },
    });
    const make = (strength, depthTest) =>
      new THREE.ShaderMaterial({
        vertexShader: DOT_VERTEX,
        fragmentShader: DOT_FRAGMENT,
        uniforms: {
          colour: { value: new THREE.Vector3(...COLOUR) },
          chosen: { value: new THREE.Vector3(...CHOSEN) },
          size: { value: HANDLE_PX },
          strength: { value: strength },
          lift: { value: depthTest ? 0.001 : 0 },
        },
        transparent: true,
        depthTest,
        depthWrite: false,
      });
    this.front = make(1, true);
    this.through = make(0.3, false);
    this.group.add(this.lines.group);
    this.told = null;
    this.points = [];
    this.chosen = -1;
  }

  get on() {
    return this.told !== null;
  }

  get editable() {
    return this.on && this.told.editable;
  }

  set(told) {
    this.told = told;
    this.points = told ? told.points.map((point) => [...point]) : [];
    this.chosen = Math.min(this.chosen, this.points.length - 1);
    this.show();
  }

  setPixel(pixel) {
    this.lines.setPixel(pixel);
    for (const material of [this.front, this.through]) {
      material.uniforms.size.value = HANDLE_PX * pixel;
    }
  }

  show() {
    const { THREE } = this;
    const at = this.points.map(this.toScene);
    this.lines.show([{ points: at, closed: Boolean(this.told?.closed) }]);
    if (this.dots) {
      this.dots.geometry.dispose();
      this.group.remove(this.dots, this.behind);
      this.dots = null;
    }
    if (at.length && this.editable) {
      const geometry = new THREE.BufferGeometry();
      geometry.setAttribute("position", new THREE.Float32BufferAttribute(at.flat(), 3));
      const state = at.map((_, k) => (k === this.chosen ? 1 : 0));
      geometry.setAttribute("state", new THREE.Float32BufferAttribute(state, 1));
      this.dots = new THREE.Points(geometry, this.front);
      this.behind = new THREE.Points(geometry, this.through);
      this.dots.renderOrder = 31;
      this.behind.renderOrder = 30;
      this.dots.frustumCulled = this.behind.frustumCulled = false;
      this.group.add(this.behind, this.dots);
    }
    this.redraw();
  }

  /** Number of the handle at a place of the picture, the one nearest to the eye, or -1. */
  under(camera, x, y) {
    if (!this.editable) return -1;
    let best = -1;
    let nearest = -Infinity;
    this.points.forEach((point, k) => {
      const seen = camera.toPicture(this.toScene(point));
      if (Math.hypot(seen.x - x, seen.y - y) < HANDLE_PX && seen.near > nearest) {
        best = k;
        nearest = seen.near;
      }
    });
    return best;
  }

  choose(number) {
    this.chosen = number;
    this.show();
  }

  step(by) {
    if (!this.points.length) return;
    const count = this.points.length;
    this.choose((this.chosen + by + count) % count);
  }

  /** Move a point where the server found surface. */
  move(number, point) {
    if (number < 0 || number >= this.points.length) return;
    this.points[number] = point;
    this.show();
  }

  add(point, camera, x, y, { between }) {
    const at = between ? this.nearestPiece(camera, x, y) : this.points.length;
    this.points.splice(at, 0, point);
    this.choose(at);
    this.tell();
  }

  removeChosen() {
    if (!this.points.length) return;
    const at = this.chosen >= 0 ? this.chosen : this.points.length - 1;
    this.points.splice(at, 1);
    this.choose(Math.min(at, this.points.length - 1));
    this.tell();
  }

  /** Where a new point goes in the row so that it lies on the piece nearest in the picture. */
  nearestPiece(camera, x, y) {
    const seen = this.points.map((point) => camera.toPicture(this.toScene(point)));
    const pieces = seen.length - (this.told.closed ? 0 : 1);
    let best = this.points.length;
    let least = Infinity;
    for (let k = 0; k < pieces; k++) {
      const [a, b] = [seen[k], seen[(k + 1) % seen.length]];
      const [u, v] = [b.x - a.x, b.y - a.y];
      const share = ((x - a.x) * u + (y - a.y) * v) / Math.max(u * u + v * v, 1e-9);
      const t = Math.min(1, Math.max(0, share));
      const off = Math.hypot(a.x + t * u - x, a.y + t * v - y);
      if (off < least) [least, best] = [off, k + 1];
    }
    return best;
  }

  get detail() {
    return {
      points: this.points.map((point) => [...point]),
      closed: Boolean(this.told?.closed),
      kind: this.told?.kind ?? "",
    };
  }

  tell() {
    this.changed(this.detail);
  }

  end() {
    if (!this.on) return;
    const detail = this.detail;
    this.told.editable = false;
    this.chosen = -1;
    this.show();
    this.ended(detail);
  }

  dispose() {
    this.lines.dispose();
    this.dots?.geometry.dispose();
    this.front.dispose();
    this.through.dispose();
  }
}
