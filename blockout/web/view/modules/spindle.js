// The spindle: an arrow along the path whose knob can be dragged to tilt.
import { dot, unit } from "./tilt.js";
import { KNOB_FRAGMENT, KNOB_VERTEX } from "./shaders.js";

const END_ON = 0.6; // more than this of the spindle points to the eye
const COLOUR = [0.77, 0.34, 0.1];

export class Spindle {
  constructor(THREE) {
    this.THREE = THREE;
    this.group = new THREE.Group();
    this.material = new THREE.ShaderMaterial({
      vertexShader: KNOB_VERTEX,
      fragmentShader: KNOB_FRAGMENT,
      uniforms: {
        colour: { value: new THREE.Vector3(...COLOUR) },
        opacity: { value: 1 },
      },
    });
    const rod = new THREE.CylinderGeometry(0.2, 0.2, 1, 20);
    rod.translate(0, 0.5, 0);
    this.rod = new THREE.Mesh(rod, this.material);
    this.knob = new THREE.Mesh(new THREE.SphereGeometry(1.35, 28, 18), this.material);
    const head = new THREE.ConeGeometry(0.85, 2.8, 28);
    this.head = new THREE.Mesh(head, this.material);
    this.group.add(this.rod, this.knob, this.head);
    this.pivot = [0, 0, 0];
    this.length = 30;
    this.direction = [0, 0, 1];
    this.shown = true;
    this.group.visible = false;
  }

  place(pivot, length) {
    this.pivot = pivot;
    this.length = length;
    this.point(this.direction);
  }

  point(direction) {
    this.direction = direction;
    const { THREE } = this;
    this.group.position.set(...this.pivot);
    this.group.quaternion.setFromUnitVectors(
      new THREE.Vector3(0, 1, 0),
      new THREE.Vector3(...direction),
    );
    this.rod.scale.set(1, this.length, 1);
    this.knob.position.set(0, this.length, 0);
    this.head.position.set(0, this.length + 3.0, 0);
  }

  get tip() {
    return this.pivot.map((v, k) => v + this.length * this.direction[k]);
  }

  /** Over the arrow's head. */
  get end() {
    return this.pivot.map((v, k) => v + (this.length + 4.6) * this.direction[k]);
  }

  /** Whether a place of the picture is on the knob or the arrow's head. */
  under(camera, x, y) {
    if (!this.group.visible) return false;
    const tip = camera.toPicture(this.tip);
    const far = camera.toPicture(
      this.pivot.map((v, k) => v + (this.length + 3.6) * this.direction[k]),
    );
    const reach = Math.max(13, (1.6 * camera.size[1]) / (2 * camera.half));
    return (
      Math.hypot(tip.x - x, tip.y - y) < reach || Math.hypot(far.x - x, far.y - y) < 0.8 * reach
    );
  }

  /** The direction in which the knob lies under a ray, `toward` being that to the eye.
   *
   * Seen end on, the knob follows the ray on the ball about the pivot. Seen from the side, where
   * that ball turns away from the eye, the lean to and from the eye is kept as it was. */
  draggedTo(ray, before, toward) {
    const off = this.pivot.map((v, k) => v - ray.origin[k]);
    const along = dot(off, ray.direction);
    const foot = ray.direction.map((v, k) => v * along - off[k]); // from the pivot to the ray
    const miss = Math.hypot(...foot);
    const lean = dot(before, toward);
    if (Math.abs(lean) > END_ON && miss < this.length) {
      const depth = Math.sign(lean) * Math.sqrt(this.length ** 2 - miss ** 2);
      return unit(foot.map((v, k) => v - depth * ray.direction[k]));
    }
    if (miss < 1e-6) return before;
    const flat = unit(foot);
    const rest = Math.sqrt(1 - Math.min(1, lean ** 2));
    return unit(flat.map((v, k) => rest * v + lean * toward[k]));
  }

  dispose() {
    for (const body of [this.rod, this.knob, this.head]) body.geometry.dispose();
    this.material.dispose();
  }
}
