// Polylines of an even width on the screen.
import { SCREEN_LINE_FRAGMENT, SCREEN_LINE_VERTEX } from "./shaders.js";

export class Lines {
  constructor(THREE, { shared, style }) {
    this.THREE = THREE;
    this.group = new THREE.Group();
    this.own = {
      colour: { value: new THREE.Vector3() },
      width: { value: 2.5 },
      dashMm: { value: 0 },
    };
    const make = (strength, depthTest, lift) =>
      new THREE.ShaderMaterial({
        vertexShader: SCREEN_LINE_VERTEX,
        fragmentShader: SCREEN_LINE_FRAGMENT,
        uniforms: {
          ...this.own,
          section: shared.section,
          cut: shared.cut,
          size: shared.size,
          strength: { value: strength },
          lift: { value: lift },
        },
        transparent: true,
        depthTest,
        depthWrite: false,
      });
    this.front = make(1, true, 0.0006);
    this.through = make(0.15, false, 0);
    this.restyle(style);
  }

  restyle(style) {
    this.style = style;
    this.own.colour.value.fromArray(style.colour ?? [0.09, 0.1, 0.14]);
    this.own.dashMm.value = style.dash_mm ?? 0;
    this.through.uniforms.strength.value = style.through ?? 0.15;
  }

  setPixel(pixel) {
    this.own.width.value = (this.style.width_px ?? 2.5) * pixel;
  }

  /** `lines` in scene coordinates: [{points, closed}]. */
  show(lines) {
    const { THREE } = this;
    this.drop();
    let count = 0;
    for (const { points, closed } of lines) {
      count += Math.max(0, points.length - 1 + (closed && points.length > 2 ? 1 : 0));
    }
    if (!count) return;
    const [from, to, along] = [3, 3, 2].map((n) => new Float32Array(n * count));
    let at = 0;
    for (const { points, closed } of lines) {
      const pieces = points.length - 1 + (closed && points.length > 2 ? 1 : 0);
      let run = 0;
      for (let k = 0; k < pieces; k++) {
        const [a, b] = [points[k], points[(k + 1) % points.length]];
        from.set(a, 3 * at);
        to.set(b, 3 * at);
        along[2 * at] = run;
        run += Math.hypot(a[0] - b[0], a[1] - b[1], a[2] - b[2]);
        along[2 * at + 1] = run;
        at += 1;
      }
    }
    const geometry = new THREE.InstancedBufferGeometry();
    const corners = new Float32Array([0, -1, 0, 1, -1, 0, 1, 1, 0, 0, 1, 0]);
    geometry.setAttribute("position", new THREE.BufferAttribute(corners, 3));
    geometry.setIndex([0, 1, 2, 0, 2, 3]);
    geometry.setAttribute("from", new THREE.InstancedBufferAttribute(from, 3));
    geometry.setAttribute("to", new THREE.InstancedBufferAttribute(to, 3));
    geometry.setAttribute("along", new THREE.InstancedBufferAttribute(along, 2));
    geometry.instanceCount = count;
    this.geometry = geometry;
    const seen = new THREE.Mesh(geometry, this.front);
    const behind = new THREE.Mesh(geometry, this.through);
    seen.renderOrder = 11;
    behind.renderOrder = 10;
    behind.visible = this.through.uniforms.strength.value > 0;
    for (const body of [behind, seen]) {
      body.frustumCulled = false;
      this.group.add(body);
    }
  }

  drop() {
    this.geometry?.dispose();
    this.geometry = null;
    this.group.clear();
  }

  dispose() {
    this.drop();
    this.front.dispose();
    this.through.dispose();
  }
}
