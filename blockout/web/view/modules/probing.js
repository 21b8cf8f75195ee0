// Rays to the server: what lies under the pointer, and where drawn points go.
import { LatestWins, postJson } from "./asking.js";

export class Probing {
  constructor({ url, camera, overlay, drawing, path, toScene, toFile, say, redraw, trouble, nextNumber }) {
    Object.assign(this, { url, camera, overlay, drawing, path, toScene, toFile, say, redraw, trouble });
    this.nextNumber = nextNumber;
    this.on = true;
    this.hovering = false;
    this.questions = new LatestWins({
      ask: async ({ body }, signal) => (await postJson(this.url, body, signal)).json(),
      take: (answer, question) => question.take(answer),
      failed: (error) => this.trouble("probe", error),
    });
  }

  body(at, purpose) {
    const ray = this.camera.ray(at.x, at.y);
    const { anterior_tilt_deg, lateral_tilt_deg } = this.path.detail;
    return {
      sequence: this.nextNumber(),
      origin_mm: this.toFile(ray.origin),
      direction: ray.direction,
      purpose,
      anterior_tilt_deg,
      lateral_tilt_deg,
    };
  }

  /** Of these only the newest is asked. */
  ask(at, purpose, take) {
    if (this.url) this.questions.push({ body: this.body(at, purpose), take });
  }

  /** A click is never dropped for a later hover. */
  async askOnce(at, purpose, take) {
    if (!this.url) return;
    const body = this.body(at, purpose);
    try {
      take(await (await postJson(this.url, body)).json(), body);
    } catch (error) {
      this.trouble("probe", error);
    }
  }

  hover(at) {
    if (!this.on || this.drawing.editable) return;
    this.hovering = true;
    this.ask(at, "hover", (answer) => {
      if (!this.hovering) return;
      this.overlay.read(answer, answer.point_mm && this.toScene(answer.point_mm), at, false);
      this.redraw();
    });
  }

  stopHover() {
    if (!this.hovering) return;
    this.hovering = false;
    this.overlay.forget();
    this.redraw();
  }

  setHover(on) {
    this.on = on;
    if (!on) this.stopHover();
  }

  click(at, { shift, aloud }) {
    if (this.drawing.editable) {
      this.askOnce(at, "draw", (answer) => {
        if (!answer.point_mm) return;
        this.drawing.add(answer.point_mm, this.camera, at.x, at.y, { between: shift });
      });
      return;
    }
    this.askOnce(at, "click", (answer, body) => {
      const place = answer.point_mm && this.toScene(answer.point_mm);
      this.hovering = true;
      this.overlay.read(answer, place, at, true);
      if (aloud && !place) this.overlay.heard.textContent = "Nothing of the cast is there.";
      this.redraw();
      this.say("clicked", {
        ...answer,
        ray: { origin_mm: body.origin_mm, direction: body.direction },
        shift: Boolean(shift),
      });
    });
  }

  dragHandle(number, at) {
    this.ask(at, "draw", (answer) => {
      if (answer.point_mm) this.drawing.move(number, answer.point_mm);
    });
  }

  dropHandle(number, at) {
    this.ask(at, "draw", (answer) => {
      if (answer.point_mm) this.drawing.move(number, answer.point_mm);
      this.drawing.tell();
    });
  }

  /** Move the chosen point a quarter of a millimetre across the picture. */
  nudgeHandle(dx, dy) {
    const { drawing, camera } = this;
    if (!drawing.editable || drawing.chosen < 0) return;
    const seen = camera.toPicture(this.toScene(drawing.points[drawing.chosen]));
    const step = (0.25 * camera.size[1]) / (2 * camera.half);
    this.dropHandle(drawing.chosen, { x: seen.x + step * dx, y: seen.y + step * dy });
  }

  dispose() {
    this.questions.close();
  }
}
