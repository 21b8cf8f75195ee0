// From where to look: named views, flights between them, what stands upright.
import { cross, dot, frameAxis, unit } from "./tilt.js";

const FLY_MS = 380;
const NEAR_MM = 11;
const QUARTER = Math.PI / 2;
const ANGLES = {
  path: [-QUARTER, QUARTER],
  occlusal: [-QUARTER, QUARTER],
  under: [QUARTER, -QUARTER],
  front: [QUARTER, 0],
  back: [-QUARTER, 0],
  left: [Math.PI, 0],
  right: [0, 0],
};

export class Steering {
  /** `places` gives what the picture is fitted to; `toScene` takes file coordinates there. */
  constructor(camera, { path, picture, places, toScene, say }) {
    Object.assign(this, { camera, path, picture, places, toScene, say });
    this.viewName = "path";
    this.upright = "cast";
    this.flight = 0;
    this.stand();
  }

  /** The camera's upright: the cast's, or the path's as on a surveying table. While the knob is in
   * the hand it keeps still. */
  stand() {
    if (this.path.gripped) return;
    const [side, front, up] = [0, 1, 2].map((k) => frameAxis(this.path.frame, k));
    if (this.upright !== "path" && this.viewName !== "path") {
      this.camera.setBasis(side, front, up);
      return;
    }
    const d = this.path.direction;
    const ahead = unit(front.map((v, k) => v - dot(front, d) * d[k]));
    this.camera.setBasis(cross(ahead, d), ahead, d);
  }

  setView(name, { quick = false } = {}) {
    if (!ANGLES[name]) return;
    const [yaw, pitch] = ANGLES[name];
    const { toward, up } = this.camera;
    this.viewName = name;
    this.stand();
    this.resume(toward, up);
    this.fly({ yaw, pitch, ...this.fit({ yaw, pitch }) }, { quick });
  }

  lookFrom(toward, at) {
    this.leaveView();
    const angles = this.camera.anglesOf(toward);
    const place = at ? { target: this.toScene(at), half: NEAR_MM } : this.fit(angles);
    this.fly({ ...angles, ...place });
  }

  flyTo(at, toward, widthMm, aheadMm) {
    this.leaveView();
    const angles = toward ? this.camera.anglesOf(toward) : {};
    const ahead = aheadMm ?? Infinity;
    this.fly({ ...angles, target: this.toScene(at), half: (widthMm ?? 16) / 2, ahead });
  }

  zoomToFit(options) {
    this.fly(this.fit({}), options);
  }

  fit(angles) {
    return this.camera.fit(this.places(), angles);
  }

  setUpright(what) {
    const { toward, up } = this.camera;
    this.upright = what === "path" ? "path" : "cast";
    this.stand();
    this.resume(toward, up);
    this.picture.ask();
  }

  /** By hand the picture leaves the named view. */
  leaveView() {
    if (!this.viewName) return;
    const { toward, up } = this.camera;
    this.forgetView();
    this.stand();
    this.resume(toward, up);
  }

  forgetView() {
    this.viewName = "";
    this.say("turned", { view: "" });
  }

  /** Look as before, told by the axes of now. */
  resume(toward, up) {
    const { camera } = this;
    const angles = camera.anglesOf(toward);
    if (QUARTER - Math.abs(angles.pitch) < 0.6) {
      // from above the picture's upward tells how it is turned
      const { side, front } = camera.basis;
      const sign = angles.pitch > 0 ? -1 : 1;
      angles.yaw = Math.atan2(sign * dot(up, front), sign * dot(up, side));
    }
    Object.assign(camera, angles);
  }

  dropKnob() {
    const { toward, up } = this.camera;
    this.path.gripped = false;
    this.stand();
    if (this.upright !== "path") this.resume(toward, up);
    this.moved();
  }

  fly(goal, { quick = false } = {}) {
    this.halt();
    const { camera } = this;
    camera.ahead = goal.ahead ?? Infinity;
    const from = { yaw: camera.yaw, pitch: camera.pitch, half: camera.half, target: camera.target };
    const to = { ...from, ...goal };
    const turn = Math.atan2(Math.sin(to.yaw - from.yaw), Math.cos(to.yaw - from.yaw));
    const put = (share) => {
      camera.yaw = from.yaw + share * turn;
      camera.pitch = from.pitch + share * (to.pitch - from.pitch);
      camera.half = from.half * Math.pow(to.half / from.half, share);
      camera.target = from.target.map((v, k) => v + share * (to.target[k] - v));
      this.picture.ask();
    };
    const still = window.matchMedia("(prefers-reduced-motion: reduce)").matches;
    if (quick || still || this.picture.slow) {
      put(1);
      return;
    }
    const begun = performance.now();
    const step = () => {
      const t = Math.min(1, (performance.now() - begun) / FLY_MS);
      put(t * t * (3 - 2 * t));
      this.flight = t < 1 ? requestAnimationFrame(step) : 0;
    };
    step();
  }

  halt() {
    cancelAnimationFrame(this.flight);
    this.flight = 0;
  }

  moved() {
    this.halt();
    this.picture.ask();
  }
}
