// The path of insertion: its direction, its spindle, who is told, and the depths along it.
//
// Other parts of a page may tilt without the server: a CustomEvent "blockout-tilt" on window with
// detail {anterior_tilt_deg, lateral_tilt_deg} (either may be left out) sets the tilts at once, and
// "blockout-tilting" on window, with the same two numbers and the direction, tells of each change.
import { LatestWins, postJson } from "./asking.js";
import { Spindle } from "./spindle.js";
import { directionOfTilts, dot, frameAxis, tiltsOfDirection, unit, withinTilt } from "./tilt.js";

const REST_MS = 100;
const TELL_MS = 120;
const SPINDLE_MM = 9; // the knob stands this far over the highest cusp

export class Path {
  /** `layer` gives the mesh whose depths are asked, `moved` is called at each change. */
  constructor(THREE, { told, say, layer, moved, taken, trouble, nextNumber }) {
    Object.assign(this, { say, layer, moved, taken, trouble, nextNumber });
    this.frame = told.frame;
    this.arch = told.arch;
    this.most = told.mostTilt;
    this.url = told.depthUrl;
    this.name = () => told.element.id;
    this.direction = directionOfTilts(this.frame, this.arch, ...told.tilts);
    this.spindle = new Spindle(THREE);
    this.spindle.point(this.direction);
    this.depthsTaken = 0;
    this.depthAt = null;
    this.gripped = false;
    this.depths = new LatestWins({
      ask: (question, signal) => this.askDepth(question, signal),
      take: (answer) => this.takeDepth(answer),
      failed: (error) => this.trouble("depth", error),
    });
    this.heard = (event) => this.hear(event.detail ?? {});
    window.addEventListener("blockout-tilt", this.heard);
  }

  get tilts() {
    return tiltsOfDirection(this.frame, this.arch, this.direction);
  }

  get detail() {
    const [anterior, lateral] = this.tilts;
    return {
      direction: [...this.direction],
      anterior_tilt_deg: anterior,
      lateral_tilt_deg: lateral,
    };
  }

  hear(detail) {
    if (detail.view && detail.view !== this.name()) return;
    const [anterior, lateral] = this.tilts;
    this.tilt(detail.anterior_tilt_deg ?? anterior, detail.lateral_tilt_deg ?? lateral);
  }

  tilt(anteriorDeg, lateralDeg) {
    const [anterior, lateral] = [Number(anteriorDeg), Number(lateralDeg)];
    if (!(Math.abs(anterior) < 89 && Math.abs(lateral) < 89)) return;
    this.set(directionOfTilts(this.frame, this.arch, anterior, lateral));
  }

  set(direction) {
    if (!direction.every(Number.isFinite) || !direction.some((v) => v !== 0)) return;
    this.direction = withinTilt(this.frame, unit(direction), this.most);
    this.spindle.point(this.direction);
    this.moved();
    this.askDepthSoon();
    this.tell();
  }

  tell() {
    const { detail } = this;
    window.dispatchEvent(
      new CustomEvent("blockout-tilting", { detail: { ...detail, view: this.name() } }),
    );
    const now = performance.now();
    if (now - (this.toldAt ?? -TELL_MS) >= TELL_MS) {
      this.toldAt = now;
      this.say("tilting", detail);
    }
    clearTimeout(this.rest);
    this.rest = setTimeout(() => this.say("tilted", this.detail), REST_MS);
  }

  // --- depths -----------------------------------------------------------------------------------
  askDepthSoon() {
    if (!this.url || !this.layer()?.mesh) return;
    const [anterior, lateral] = this.tilts;
    this.depths.push({ anterior_tilt_deg: anterior, lateral_tilt_deg: lateral });
  }

  async askDepth(question, signal) {
    const sequence = this.nextNumber();
    const response = await postJson(this.url, { sequence, ...question }, signal);
    const answered = Number(response.headers.get("X-Sequence") ?? sequence);
    return { answered, sequence, bytes: new Uint8Array(await response.arrayBuffer()), question };
  }

  takeDepth({ answered, sequence, bytes, question }) {
    if (answered !== sequence) return;
    if (!this.layer()?.setLevels(bytes)) {
      this.trouble("depth of another mesh", { status: bytes.length });
      return;
    }
    this.depthsTaken += 1;
    this.depthAt = question;
    this.taken();
  }

  // --- spindle ----------------------------------------------------------------------------------
  /** Stand the spindle in the middle of a mesh, its knob over the highest place. */
  stand(middle, places) {
    const up = frameAxis(this.frame, 2);
    let top = 0;
    for (const place of places) {
      top = Math.max(top, dot(up, place.map((v, k) => v - middle[k])));
    }
    this.spindle.place(middle, top + SPINDLE_MM);
    this.spindle.group.visible = this.spindle.shown;
  }

  grip(camera, at) {
    this.gripped = true;
    this.grippedAt = this.direction;
    const tip = camera.toPicture(this.spindle.tip);
    return { x: tip.x - at.x, y: tip.y - at.y };
  }

  drag(camera, at) {
    const ray = camera.ray(at.x, at.y);
    this.set(this.spindle.draggedTo(ray, this.grippedAt, camera.toward));
  }

  dispose() {
    clearTimeout(this.rest);
    window.removeEventListener("blockout-tilt", this.heard);
    this.depths.close();
    this.spindle.dispose();
  }
}
