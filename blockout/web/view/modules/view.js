// The view: layers, path, camera, probe, pen and words, put together.
import { Camera } from "./camera.js";
import { drawnBy, showStill } from "./drawn_by.js";
import { Drawing } from "./drawing.js";
import { LineSets } from "./line_sets.js";
import { MeshLayer, rampTexture } from "./mesh_layer.js";
import { Overlay } from "./overlay.js";
import { Path } from "./path.js";
import { Picture } from "./picture.js";
import { Pointer } from "./pointer.js";
import { Probing } from "./probing.js";
import { Steering } from "./steering.js";
import { GROUND, followTheme, putStyle } from "./style.js";
import { dot, frameAxis, unit } from "./tilt.js";

const LINES_MS = 2500; // exact survey lines come that soon after the path, or are not waited for

export function createView(THREE, element, told) {
  putStyle(document);
  const by = told.withoutWebgl ? null : drawnBy(document);
  return by ? new View(THREE, element, told, by) : new StillView(element, told);
}

/** Stands in where nothing can be drawn: the same methods, pictures instead of a view. */
class StillView {
  constructor(element, told) {
    this.told = told;
    this.element = element;
    this.theme = followTheme(element, () => told.theme, () => {});
    return new Proxy(this, {
      get: (view, name) => (name in view ? view[name] : name === "then" ? undefined : () => {}),
    });
  }

  start() {
    this.setPictures(this.told.pictures);
    this.told.say("ready", { webgl: false });
    this.told.say("trouble", { what: "no webgl", status: 0 });
  }

  setPictures(pictures) {
    showStill(this.element, pictures, this.told.label);
  }

  state() {
    return { webgl: false };
  }

  dispose() {
    this.theme.stop();
    this.element.replaceChildren();
  }
}

class View {
  constructor(THREE, element, told, by) {
    Object.assign(this, { THREE, element, told, by });
    this.say = told.say;
    this.frame = told.frame;
    // the scene lies about the cast frame's zero, so that single precision is enough
    this.zero = [told.frame[3], told.frame[7], told.frame[11]];
    this.layers = new Map();
    this.fitted = false;
    this.numbers = 0;
    this.shading = { undercut: true, hatch: true, gauges: true, survey_line: true };
    this.shared = {
      path: { value: new THREE.Vector3() },
      section: { value: new THREE.Vector4() },
      cut: { value: 0 },
      shows: { value: new THREE.Vector4(1, 1, 1, 1) },
      pixel: { value: 1 },
      size: { value: new THREE.Vector2(1, 1) },
    };
    this.maps = Object.fromEntries(
      ["depth", "deviation"].map((name) => [name, rampTexture(THREE, told.maps[name])]),
    );
    this.scene = new THREE.Scene();
    this.camera = new Camera(THREE);
    this.picture = new Picture(THREE, element, {
      software: by.software,
      paint: (renderer, coarse) => this.paint(renderer, coarse),
      scaled: (...sizes) => this.scaled(...sizes),
    });
    const rightIsPlusX = told.arch === "lower";
    const side = (name) => `patient's ${name}${told.archStated ? "" : ", if a lower arch"}`;
    this.overlay = new Overlay(element, {
      label: told.label,
      pressed: (key) => this.say("selected", { key }),
      plusX: side(rightIsPlusX ? "right" : "left"),
      minusX: side(rightIsPlusX ? "left" : "right"),
    });
    this.join();
    this.theme = followTheme(element, () => this.told.theme, (name) => {
      this.picture.renderer.setClearColor(new THREE.Color().setRGB(...GROUND[name]), 1);
      this.redraw();
    });
    this.pointer = new Pointer(this, element, this.picture.canvas);
    this.sizes = new ResizeObserver(() => this.resize());
    this.sizes.observe(element);
    this.watchContext(this.picture.canvas);
  }

  /** The parts that need each other. */
  join() {
    const { THREE, told, say, camera, picture, overlay, scene, shared } = this;
    const toScene = (point) => point.map((v, k) => v - this.zero[k]);
    const toFile = (point) => point.map((v, k) => v + this.zero[k]);
    const redraw = () => this.redraw();
    const trouble = (what, error) => this.trouble(what, error);
    const nextNumber = () => ++this.numbers;
    Object.assign(this, { toScene, toFile });
    this.path = new Path(THREE, {
      told: { ...told, element: this.element },
      say,
      layer: () => this.layers.get(told.depthLayer),
      moved: () => this.pathMoved(),
      taken: redraw,
      trouble,
      nextNumber,
    });
    scene.add(this.path.spindle.group);
    this.lines = new LineSets(THREE, {
      scene,
      shared,
      toScene,
      direction: () => this.path.direction,
      changed: () => this.dress(),
      trouble,
    });
    this.drawing = new Drawing(THREE, {
      shared,
      toScene,
      changed: (detail) => say("drawn", detail),
      ended: (detail) => say("ended", detail),
      redraw: () => {
        this.element.classList.toggle("pen", this.drawing.editable);
        this.redraw();
      },
    });
    scene.add(this.drawing.group);
    this.steering = new Steering(camera, {
      path: this.path,
      picture,
      places: () => this.places(),
      toScene,
      say,
    });
    this.probing = new Probing({
      url: told.probeUrl,
      camera,
      overlay,
      drawing: this.drawing,
      path: this.path,
      toScene,
      toFile,
      say,
      redraw,
      trouble,
      nextNumber,
    });
  }

  watchContext(canvas) {
    canvas.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      this.overlay.tellNote("The picture was lost; it comes back by itself.");
    });
    canvas.addEventListener("webglcontextrestored", () => {
      this.overlay.tellNote("");
      this.redraw();
    });
  }

  start() {
    this.resize();
    this.pathMoved();
    this.setLayers(this.told.layers);
    const { software, name } = this.by;
    this.say("ready", { webgl: true, software, drawn_by: name });
  }

  // --- layers -----------------------------------------------------------------------------------
  setLayers(told) {
    const names = new Set(told.map((layer) => layer.name));
    for (const [name, layer] of this.layers) {
      if (names.has(name)) continue;
      layer.dispose();
      this.scene.remove(layer.group);
    }
    const before = this.layers;
    this.layers = new Map();
    for (const words of told) {
      let layer = before.get(words.name);
      let fetch = true;
      if (layer) {
        fetch = layer.take(words);
      } else {
        layer = this.newLayer(words);
        this.scene.add(layer.group);
      }
      this.layers.set(words.name, layer);
      if (fetch && words.url) this.fetchLayer(layer);
    }
    for (const layer of this.layers.values()) layer.dress();
    this.measure();
    this.redraw();
  }

  newLayer(told) {
    const { shared, maps } = this;
    const layer = new MeshLayer(this.THREE, {
      told,
      shared,
      maps,
      order: () => this.orderOf(told.name),
      changed: () => this.redraw(),
      trouble: (what, error) => this.trouble(what, error),
    });
    return layer;
  }

  /** What shines through is drawn in this order: the cast last, so that wax shows within it. */
  orderOf(name) {
    const names = [...this.layers.keys()];
    return name === this.told.depthLayer ? names.length : names.indexOf(name);
  }

  async fetchLayer(layer) {
    const begun = performance.now();
    try {
      if (!(await layer.fetch(this.zero))) return;
    } catch (error) {
      this.trouble(`layer ${layer.name}`, error);
      return;
    }
    const fetched = performance.now();
    this.measure();
    const isMain = layer.name === this.told.depthLayer;
    if (!this.fitted && (isMain || !this.layers.has(this.told.depthLayer))) {
      this.fitted = true;
      this.steering.zoomToFit({ quick: true });
    }
    this.picture.draw();
    this.say("loaded", {
      name: layer.name,
      triangles: layer.read.faces,
      fetched_ms: fetched - begun,
      drawn_ms: performance.now() - begun,
      since_opening_ms: performance.now(),
    });
    if (isMain) this.refreshDepth();
  }

  change(name, change) {
    const layer = this.layers.get(name);
    if (!layer) return;
    layer.take({ ...layer.told, ...change });
    this.measure();
    this.redraw();
  }

  showLayer(name, shown) {
    this.change(name, { shown });
  }

  setOpacity(name, opacity) {
    this.change(name, { opacity });
  }

  setColour(name, colour) {
    this.change(name, { colour });
  }

  setLevels(name, url) {
    this.change(name, { levels_url: url });
  }

  setShading(asked) {
    this.shading = { ...this.shading, ...asked };
    this.dress();
  }

  /** Middle and reach of all that is loaded. */
  measure() {
    const loaded = [...this.layers.values()].filter((layer) => layer.mesh);
    this.triangles = loaded.reduce((sum, layer) => sum + (layer.radius ? layer.read.faces : 0), 0);
    if (!loaded.length) return;
    const main = this.layers.get(this.told.depthLayer);
    const first = main?.mesh ? main : loaded[0];
    const middle = first.middle;
    this.camera.middle = middle;
    this.camera.reach = Math.max(
      ...loaded.map(
        (layer) => layer.read.radius + Math.hypot(...layer.middle.map((v, k) => v - middle[k])),
      ),
    );
    if (this.stoodOn !== first.read) {
      this.stoodOn = first.read;
      this.path.stand(middle, first.sample());
    }
  }

  /** What the picture is fitted to: the cast and its spindle, or all else that is shown. */
  *places() {
    const main = this.layers.get(this.told.depthLayer);
    const shown = [...this.layers.values()].filter((layer) => layer.radius);
    for (const layer of main?.radius ? [main] : shown) yield* layer.sample();
    const { spindle } = this.path;
    if (spindle.group.visible) yield spindle.end;
  }

  // --- path -------------------------------------------------------------------------------------
  pathMoved() {
    this.shared.path.value.fromArray(this.path.direction);
    this.steering.stand();
    if (this.path.url) this.picture.expect(LINES_MS);
    this.dress();
  }

  /** Exact survey lines take the place of the shading's. */
  dress() {
    const exact = this.lines.dress();
    if (exact) this.picture.expect(0);
    const { undercut, hatch, gauges, survey_line: line } = this.shading;
    this.shared.shows.value.set(+undercut, +hatch, +gauges, +(line && !exact));
    this.redraw();
  }

  tilt(anteriorDeg, lateralDeg) {
    this.path.tilt(anteriorDeg, lateralDeg);
  }

  setDirection(direction) {
    this.path.set(direction);
  }

  refreshDepth() {
    this.path.askDepthSoon();
  }

  showSpindle(shown) {
    const { spindle } = this.path;
    spindle.shown = shown;
    spindle.group.visible = shown && Boolean(this.stoodOn);
    this.redraw();
  }

  dragKnob(at) {
    if (this.steering.viewName === "path") this.steering.forgetView();
    this.path.drag(this.camera, at);
  }

  // --- camera -----------------------------------------------------------------------------------
  setView(name) {
    this.steering.setView(name);
  }

  /** By key, so that the page's own buttons hear of it. */
  chooseView(name) {
    this.steering.setView(name);
    this.say("turned", { view: name });
  }

  lookFrom(toward, at) {
    this.steering.lookFrom(toward, at);
  }

  flyTo(at, toward, widthMm, aheadMm) {
    this.steering.flyTo(at, toward, widthMm, aheadMm);
  }

  zoomToFit() {
    this.steering.zoomToFit();
  }

  setProjection(kind) {
    this.camera.kind = kind === "perspective" ? "perspective" : "orthographic";
    this.redraw();
  }

  setUpright(what) {
    this.steering.setUpright(what);
  }

  get moving() {
    return Boolean(this.steering.flight || this.picture.frame);
  }

  // --- probe, pen, lines, markers, section --------------------------------------------------------
  setProbing(on) {
    this.probing.setHover(on);
  }

  setDrawing(told) {
    this.overlay.forget();
    this.drawing.set(told);
  }

  setLines(name, lines, style) {
    this.lines.set(name, lines, style);
  }

  setLinesFrom(name, url, style) {
    this.lines.setFrom(name, url, style);
  }

  removeLines(name) {
    this.lines.remove(name);
  }

  setMarkers(markers) {
    this.overlay.setMarkers(markers, this.toScene);
    this.redraw();
  }

  setSection(section) {
    this.shared.cut.value = section ? 1 : 0;
    if (section) {
      const normal = unit(section.normal);
      this.shared.section.value.set(...normal, dot(normal, this.toScene(section.point)));
    }
    for (const layer of this.layers.values()) layer.dress();
    this.redraw();
  }

  setTheme(theme) {
    this.told.theme = theme;
    this.theme.read();
  }

  setAddresses({ depth_url: depthUrl, probe_url: probeUrl }) {
    this.path.url = depthUrl;
    this.probing.url = probeUrl;
  }

  setPictures() {}

  trouble(what, error) {
    if (error.name === "AbortError" || this.disposed) return;
    this.say("trouble", { what, status: error.status ?? 0 });
  }

  // --- on the screen ----------------------------------------------------------------------------
  resize() {
    const { clientWidth, clientHeight } = this.element;
    this.camera.resize(clientWidth, clientHeight);
    if (this.picture.resize()) this.picture.draw();
  }

  scaled(pixel, width, height) {
    this.shared.pixel.value = pixel;
    this.shared.size.value.set(width, height);
    this.lines?.setPixel(pixel);
    this.drawing?.setPixel(pixel);
  }

  redraw() {
    this.picture.ask();
  }

  draw() {
    this.picture.draw();
  }

  paint(renderer, coarse) {
    for (const layer of this.layers.values()) layer.setCoarse(coarse);
    this.camera.update();
    renderer.render(this.scene, this.camera.three);
    this.overlay.update(this.camera, {
      side: frameAxis(this.frame, 0),
      front: frameAxis(this.frame, 1),
    });
  }

  /** For tests and for the page: what is set, and what is held. */
  state() {
    const { memory } = this.picture.renderer.info;
    return {
      webgl: true,
      drawn_by: this.by.name,
      ...this.path.detail,
      view: this.steering.viewName,
      projection: this.camera.kind,
      toward: this.camera.toward,
      target_mm: this.toFile(this.camera.target),
      half_height_mm: this.camera.half,
      frames: this.picture.frames,
      depths_taken: this.path.depthsTaken,
      depth_at: this.path.depthAt,
      triangles: this.triangles ?? 0,
      geometries: memory.geometries,
      textures: memory.textures,
      layers: [...this.layers.values()].map(({ told, mesh }) => ({
        name: told.name,
        shown: told.shown,
        opacity: told.opacity,
        loaded: Boolean(mesh),
      })),
      lines: this.lines.state,
      drawing: this.drawing.on ? this.drawing.detail : null,
      chosen: this.drawing.chosen,
    };
  }

  dispose() {
    this.disposed = true;
    this.steering.halt();
    this.sizes.disconnect();
    this.theme.stop();
    for (const part of [this.pointer, this.probing, this.path, this.lines, this.drawing]) {
      part.dispose();
    }
    for (const layer of this.layers.values()) layer.dispose();
    for (const texture of Object.values(this.maps)) texture.dispose();
    this.picture.dispose();
    this.element.replaceChildren();
  }
}
