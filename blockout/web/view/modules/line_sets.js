// Named sets of polylines, some of which belong to one path only.
import { getBytes } from "./asking.js";
import { readLines } from "./buffers.js";
import { Lines } from "./lines.js";
import { dot, unit } from "./tilt.js";

export class LineSets {
  constructor(THREE, { scene, shared, toScene, direction, changed, trouble }) {
    Object.assign(this, { THREE, scene, shared, toScene, direction, changed, trouble });
    this.sets = new Map();
  }

  set(name, lines, style) {
    this.sets.get(name)?.stop?.abort();
    this.put(name, lines, style ?? {});
  }

  async setFrom(name, url, style) {
    this.sets.get(name)?.stop?.abort();
    const stop = new AbortController();
    this.sets.set(name, { ...this.sets.get(name), stop });
    try {
      const lines = readLines(await getBytes(url, stop.signal));
      if (!stop.signal.aborted) this.put(name, lines, style ?? {});
    } catch (error) {
      if (error.name !== "AbortError") this.trouble(`lines ${name}`, error);
    }
  }

  put(name, lines, style) {
    let drawn = this.sets.get(name)?.drawn;
    if (!drawn) {
      drawn = new Lines(this.THREE, { shared: this.shared, style });
      this.scene.add(drawn.group);
    }
    this.sets.set(name, { drawn });
    drawn.restyle(style);
    drawn.setPixel(this.shared.pixel.value);
    drawn.show(lines.map(({ points, closed }) => ({ points: points.map(this.toScene), closed })));
    this.changed();
  }

  remove(name) {
    const kept = this.sets.get(name);
    kept?.stop?.abort();
    if (kept?.drawn) {
      kept.drawn.dispose();
      this.scene.remove(kept.drawn.group);
    }
    this.sets.delete(name);
    this.changed();
  }

  /** Show those that belong to the present path; true where exact survey lines are among them. */
  dress() {
    let exact = false;
    for (const { drawn } of this.sets.values()) {
      if (!drawn) continue;
      const { at_direction: home, survey, shown } = drawn.style;
      const here = shown !== false && (!home || dot(unit(home), this.direction()) > 1 - 1e-9);
      drawn.group.visible = here;
      exact ||= Boolean(survey) && here;
    }
    return exact;
  }

  setPixel(pixel) {
    for (const { drawn } of this.sets.values()) drawn?.setPixel(pixel);
  }

  get state() {
    return [...this.sets].map(([name, { drawn }]) => ({
      name,
      shown: Boolean(drawn?.group.visible),
    }));
  }

  dispose() {
    for (const { drawn, stop } of this.sets.values()) {
      stop?.abort();
      drawn?.dispose();
    }
  }
}
