// One mesh on the screen: its buffers, its colours, its levels.
import { readMesh } from "./buffers.js";
import { getBytes } from "./asking.js";
import { bodyMaterial } from "./shaders.js";

// of 2^24 steps of depth over about 150 mm: some 0.02 mm
const BACK_UNITS = 2200;
const MAPS = { none: 0, depth: 1, deviation: 2 };

export class MeshLayer {
  constructor(THREE, { told, shared, maps, order, changed, trouble }) {
    this.THREE = THREE;
    this.told = told;
    this.shared = shared;
    this.maps = maps;
    this.order = order;
    this.changed = changed;
    this.trouble = trouble;
    this.group = new THREE.Group();
    this.fetching = null;
    this.fetchingLevels = null;
    this.own = {
      colour: { value: new THREE.Vector3() },
      cutColour: { value: new THREE.Vector3() },
      opacity: { value: 1 },
      ramp: { value: maps.depth },
      coloured: { value: 0 },
      fullMm: { value: 1 },
      lastMm: { value: 0.75 },
      gauges: { value: new THREE.Vector4() },
      stripeDeg: { value: -999 },
    };
    this.surveyed = bodyMaterial(THREE, shared, this.own, { surveyed: true });
    this.plain = bodyMaterial(THREE, shared, this.own, { surveyed: false });
    this.under = bodyMaterial(THREE, shared, this.own, { surveyed: false });
    this.under.colorWrite = false;
    this.dress();
  }

  get name() {
    return this.told.name;
  }

  get radius() {
    return this.mesh && this.told.shown && this.told.opacity > 0 ? this.read.radius : 0;
  }

  /** Its own zero in the scene. */
  get middle() {
    return this.mesh.position.toArray();
  }

  /** Take new words of how it looks; true where the mesh must be fetched. */
  take(told) {
    const fetch = told.url !== this.told.url;
    const levels = told.levels_url !== this.told.levels_url;
    this.told = told;
    this.dress();
    if (levels && !fetch && told.levels_url && this.mesh) this.fetchLevels(told.levels_url);
    return fetch;
  }

  dress() {
    const { told, own } = this;
    own.colour.value.fromArray(told.colour);
    own.cutColour.value.fromArray(told.colour.map((part) => 0.92 * part * (0.55 + 0.45 * part)));
    own.opacity.value = told.opacity;
    own.coloured.value = MAPS[told.map] ?? 0;
    own.ramp.value = this.maps[told.map] ?? this.maps.depth;
    own.fullMm.value = told.full_mm;
    own.lastMm.value = told.last_mm;
    own.gauges.value.fromArray([...(told.gauges_mm ?? []), 0, 0, 0, 0]);
    own.stripeDeg.value = told.hatch_deg ?? -999;
    this.group.visible = told.shown && told.opacity > 0;
    const clear = told.opacity < 1;
    // wax lies on the cast: the cast steps back a hair, so that what they share shows as wax
    const back = told.surveyed ? 1 : 0;
    for (const material of [this.surveyed, this.plain, this.under]) {
      material.transparent = clear;
      material.polygonOffsetFactor = 0.5 * back;
      material.polygonOffsetUnits = BACK_UNITS * back;
      material.side =
        told.open || this.shared.cut.value > 0.5 ? this.THREE.DoubleSide : this.THREE.FrontSide;
    }
    if (this.mesh) {
      const order = clear ? 20 + 2 * this.order() : 0;
      this.veil.visible = clear;
      this.veil.renderOrder = order;
      this.mesh.renderOrder = order + (clear ? 1 : 0);
      this.mesh.material = [told.surveyed ? this.surveyed : this.plain, this.plain];
    }
  }

  async fetch(zero) {
    this.fetching?.abort();
    const stop = new AbortController();
    this.fetching = stop;
    const buffer = await getBytes(this.told.url, stop.signal);
    if (stop.signal.aborted) return false;
    this.show(readMesh(buffer), zero);
    this.fetching = null;
    if (this.told.levels_url) await this.fetchLevels(this.told.levels_url);
    return true;
  }

  async fetchLevels(url) {
    this.fetchingLevels?.abort();
    const stop = new AbortController();
    this.fetchingLevels = stop;
    try {
      const buffer = await getBytes(url, stop.signal);
      if (stop.signal.aborted) return;
      if (!this.setLevels(new Uint8Array(buffer))) throw new Error("levels of another mesh");
      this.changed();
    } catch (error) {
      this.trouble(`levels ${this.name}`, error);
    }
  }

  /** `zero` is the scene's own zero in file coordinates. */
  show(read, zero) {
    const { THREE } = this;
    this.drop();
    this.read = { ...read, positions: null, shade: null, corners: null };
    const geometry = new THREE.BufferGeometry();
    geometry.setAttribute("position", new THREE.BufferAttribute(read.positions, 3));
    geometry.setAttribute("shade", new THREE.BufferAttribute(read.shade, 4, true));
    this.levels = new THREE.BufferAttribute(new Uint8Array(read.vertices), 1, true);
    this.levels.setUsage(THREE.DynamicDrawUsage);
    geometry.setAttribute("level", this.levels);
    geometry.setIndex(new THREE.BufferAttribute(read.corners, 1));
    geometry.boundingSphere = new THREE.Sphere(new THREE.Vector3(), read.radius || 1);
    this.geometry = geometry;
    this.coarse = null;
    this.setCoarse(false);
    this.mesh = new THREE.Mesh(geometry, [this.surveyed, this.plain]);
    this.veil = new THREE.Mesh(geometry, [this.under, this.under]);
    for (const body of [this.mesh, this.veil]) {
      body.position.set(...read.origin.map((v, k) => v - zero[k]));
      body.updateMatrixWorld();
      body.matrixAutoUpdate = false;
      this.group.add(body);
    }
    this.dress();
  }

  /** Draw the coarse faces, where there are any, or all of them. */
  setCoarse(asked) {
    if (!this.geometry || this.coarse === asked) return;
    this.coarse = asked;
    const { faces, scanned, coarse, coarseScanned } = this.read;
    const [from, count, surveyed] =
      asked && coarse ? [faces, coarse, coarseScanned] : [0, faces, scanned];
    this.geometry.clearGroups();
    this.geometry.addGroup(3 * from, 3 * surveyed, 0);
    this.geometry.addGroup(3 * (from + surveyed), 3 * (count - surveyed), 1);
  }

  /** Some thousands of its vertices, scene coordinates, to fit the picture by. */
  *sample() {
    const at = this.mesh.position.toArray();
    const array = this.geometry.attributes.position.array;
    const step = 3 * Math.max(1, Math.floor(array.length / 3 / 6000));
    for (let k = 0; k < array.length; k += step) {
      yield [array[k] + at[0], array[k + 1] + at[1], array[k + 2] + at[2]];
    }
  }

  /** One byte a vertex; false where they belong to another mesh. */
  setLevels(bytes) {
    if (!this.levels || bytes.length !== this.levels.array.length) return false;
    this.levels.array.set(bytes);
    this.levels.needsUpdate = true;
    return true;
  }

  drop() {
    this.geometry?.dispose();
    this.group.clear();
    this.geometry = this.mesh = this.veil = this.levels = null;
  }

  dispose() {
    this.fetching?.abort();
    this.fetchingLevels?.abort();
    this.drop();
    for (const material of [this.surveyed, this.plain, this.under]) material.dispose();
  }
}

/** 256 colours, given as base64, as a texture. */
export function rampTexture(THREE, text) {
  const bytes = new Uint8Array(256 * 4).fill(255);
  const given = text ? Uint8Array.from(atob(text), (c) => c.charCodeAt(0)) : null;
  for (let k = 0; k < 256; k++) {
    for (let channel = 0; channel < 3; channel++) {
      bytes[4 * k + channel] = given ? given[3 * k + channel] : 255 - k;
    }
  }
  const texture = new THREE.DataTexture(bytes, 256, 1, THREE.RGBAFormat);
  texture.minFilter = texture.magFilter = THREE.LinearFilter;
  texture.needsUpdate = true;
  return texture;
}
