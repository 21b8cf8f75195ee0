// Where the picture is looked at from. All vectors are in the scene: file axes, the scene's zero.
import { cross, dot, unit } from "./tilt.js";

const FIELD_DEG = 28;
const EDGE_PX = 34; // free at each side, for the words there
const QUARTER = Math.PI / 2;

export class Camera {
  constructor(THREE) {
    this.flat = new THREE.OrthographicCamera();
    this.deep = new THREE.PerspectiveCamera(FIELD_DEG);
    this.kind = "orthographic";
    this.target = [0, 0, 0];
    this.half = 40; // mm from the middle of the picture to its upper edge, at the target
    this.yaw = -QUARTER; // 0 looks from +side, -90 degrees from behind, so that the front is up
    this.pitch = QUARTER;
    this.reach = 60; // radius of what is shown about the scene's middle
    this.middle = [0, 0, 0];
    this.ahead = Infinity; // mm before the target; what is nearer to the eye is not drawn
    this.size = [1, 1];
    this.setBasis([1, 0, 0], [0, 1, 0], [0, 0, 1]);
  }

  setBasis(side, front, up) {
    this.basis = { side, front, up };
  }

  get three() {
    return this.kind === "perspective" ? this.deep : this.flat;
  }

  get toward() {
    return this.turned(Math.cos(this.pitch), Math.sin(this.pitch));
  }

  get up() {
    return this.turned(-Math.sin(this.pitch), Math.cos(this.pitch));
  }

  get right() {
    return cross(this.up, this.toward);
  }

  turned(level, rise) {
    const { side, front, up } = this.basis;
    const [c, s] = [Math.cos(this.yaw) * level, Math.sin(this.yaw) * level];
    return [0, 1, 2].map((k) => c * side[k] + s * front[k] + rise * up[k]);
  }

  /** Yaw and pitch that look from a direction; straight down, the front is at the top. */
  anglesOf(toward) {
    const { side, front, up } = this.basis;
    const t = unit(toward);
    const [x, y, z] = [dot(t, side), dot(t, front), dot(t, up)];
    const level = Math.hypot(x, y);
    if (level < 1e-3) return { yaw: z > 0 ? -QUARTER : QUARTER, pitch: z > 0 ? QUARTER : -QUARTER };
    return { yaw: Math.atan2(y, x), pitch: Math.atan2(z, level) };
  }

  orbit(dx, dy) {
    this.yaw -= dx;
    this.pitch = Math.min(QUARTER, Math.max(-QUARTER, this.pitch + dy));
  }

  /** Page pixels, right and down, that the cast moves. */
  pan(dx, dy) {
    const mm = (2 * this.half) / this.size[1];
    const [right, up] = [this.right, this.up];
    this.target = this.target.map((v, k) => v - dx * mm * right[k] + dy * mm * up[k]);
  }

  /** Zoom by a factor, the place under (x, y), -1 to 1, standing still. */
  zoom(factor, x = 0, y = 0) {
    const before = this.half;
    this.half = Math.min(400, Math.max(0.8, this.half * factor));
    const shift = before - this.half;
    const wide = this.size[0] / this.size[1];
    const [right, up] = [this.right, this.up];
    this.target = this.target.map((v, k) => v + shift * (x * wide * right[k] + y * up[k]));
  }

  resize(width, height) {
    this.size = [Math.max(1, width), Math.max(1, height)];
  }

  /** Target and half height at which all of these places are just seen, from yaw and pitch. */
  fit(places, { yaw = this.yaw, pitch = this.pitch } = {}) {
    const kept = [this.yaw, this.pitch];
    [this.yaw, this.pitch] = [yaw, pitch];
    const [right, up] = [this.right, this.up];
    [this.yaw, this.pitch] = kept;
    const low = [Infinity, Infinity];
    const high = [-Infinity, -Infinity];
    for (const place of places) {
      [dot(place, right), dot(place, up)].forEach((v, k) => {
        low[k] = Math.min(low[k], v);
        high[k] = Math.max(high[k], v);
      });
    }
    if (!(high[0] >= low[0])) return {};
    const wide = (this.size[0] - 2 * EDGE_PX) / (this.size[1] - 2 * EDGE_PX);
    const half = Math.max((high[1] - low[1]) / 2, (high[0] - low[0]) / 2 / Math.max(wide, 0.2));
    const [x, y] = [0, 1].map((k) => (low[k] + high[k]) / 2);
    const toward = cross(right, up);
    const deep = dot(this.middle, toward);
    return {
      target: [0, 1, 2].map((k) => x * right[k] + y * up[k] + deep * toward[k]),
      half: Math.max(1, (half * (this.kind === "perspective" ? 1.18 : 1) * this.size[1]) / Math.max(this.size[1] - 2 * EDGE_PX, 40)),
    };
  }

  update() {
    const wide = this.size[0] / this.size[1];
    const [toward, up] = [this.toward, this.up];
    const off = Math.hypot(...this.target.map((v, k) => v - this.middle[k]));
    const reach = this.reach + off;
    const camera = this.three;
    let distance;
    if (this.kind === "perspective") {
      distance = this.half / Math.tan((FIELD_DEG / 2) * (Math.PI / 180));
      camera.aspect = wide;
      camera.near = Math.max(0.02 * distance, distance - Math.min(reach, this.ahead), 0.5);
    } else {
      distance = reach + 10;
      camera.left = -this.half * wide;
      camera.right = this.half * wide;
      camera.top = this.half;
      camera.bottom = -this.half;
      camera.near = Math.max(1, distance - this.ahead);
    }
    camera.far = distance + reach + 10;
    camera.position.set(...this.target.map((v, k) => v + distance * toward[k]));
    camera.up.set(...up);
    camera.lookAt(...this.target);
    camera.updateProjectionMatrix();
    camera.updateMatrixWorld();
    this.distance = distance;
  }

  /** Where a place is in the picture: page pixels from its upper left, and whether before the eye. */
  toPicture(at) {
    const [right, up, toward] = [this.right, this.up, this.toward];
    const off = at.map((v, k) => v - this.target[k]);
    const near = dot(off, toward);
    let mm = (2 * this.half) / this.size[1];
    if (this.kind === "perspective") mm *= (this.distance - near) / this.distance;
    return {
      x: this.size[0] / 2 + dot(off, right) / mm,
      y: this.size[1] / 2 - dot(off, up) / mm,
      near,
      seen: mm > 0 && near <= this.ahead,
    };
  }

  /** The ray through a place of the picture, page pixels; `direction` leads away from the eye, and
   * it starts behind what is not drawn. */
  ray(x, y) {
    const mm = (2 * this.half) / this.size[1];
    const [right, up, toward] = [this.right, this.up, this.toward];
    const [a, b] = [(x - this.size[0] / 2) * mm, (this.size[1] / 2 - y) * mm];
    const on = this.target.map((v, k) => v + a * right[k] + b * up[k]);
    if (this.kind === "perspective") {
      const eye = this.target.map((v, k) => v + this.distance * toward[k]);
      const direction = unit(on.map((v, k) => v - eye[k]));
      const skipped = Math.max(0, this.distance - this.ahead) / -dot(direction, toward);
      return { origin: eye.map((v, k) => v + skipped * direction[k]), direction };
    }
    return {
      origin: on.map((v, k) => v + Math.min(this.distance, this.ahead) * toward[k]),
      direction: toward.map((v) => -v),
    };
  }
}
