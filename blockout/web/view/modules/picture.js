// The canvas: how large, how fine, and when it is drawn. Nothing is drawn while nothing changes.
const SHARPEN_MS = 250;
const SLOW_MS = 70; // where a picture takes longer, it is drawn coarser while it moves
const COARSE = 0.7;
const DULL_MS = 1200; // a fine picture that takes longer is not drawn again
const MOST_PIXEL = 2;

export class Picture {
  /** `paint` draws; `scaled` is told how many drawn pixels make one of the page. */
  constructor(THREE, element, { software, paint, scaled }) {
    Object.assign(this, { element, software, paint, scaled });
    // multisampling triples the time of a picture drawn in software
    this.renderer = new THREE.WebGLRenderer({ antialias: !software });
    // colours are given as they show on the screen, and nothing converts them
    this.renderer.outputColorSpace = THREE.LinearSRGBColorSpace;
    this.basePixel = Math.min(window.devicePixelRatio || 1, software ? 1 : MOST_PIXEL);
    this.pixel = this.basePixel;
    this.canvas = this.renderer.domElement;
    this.canvas.setAttribute("aria-hidden", "true");
    element.append(this.canvas);
    this.size = [1, 1];
    this.frames = 0;
    this.busy = false; // a hand is on it: no fine picture now
    this.slow = false;
    this.dull = false;
    this.frame = this.sharpening = this.fenceTimer = 0;
    this.expected = 0; // until when more is to come
    this.fence = null;
  }

  get resting() {
    return !this.frame && !this.fence && !this.sharpening;
  }

  resize() {
    const { clientWidth: width, clientHeight: height } = this.element;
    if (!width || !height) return false;
    this.size = [width, height];
    this.setPixel(this.basePixel);
    return true;
  }

  setPixel(pixel) {
    this.pixel = pixel;
    this.renderer.setPixelRatio(pixel);
    this.renderer.setSize(...this.size, false);
    this.scaled(pixel, this.size[0] * pixel, this.size[1] * pixel);
  }

  /** Draw when the browser next shows something. */
  ask() {
    if (this.frame || this.closed) return;
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.draw();
    });
  }

  draw() {
    if (this.closed) return;
    const pixel = this.basePixel * (this.slow ? COARSE : 1);
    if (this.pixel !== pixel) this.setPixel(pixel);
    this.render({ coarse: this.slow });
    clearTimeout(this.sharpening);
    this.sharpening = 0;
    if (!this.software || this.steady) return;
    // only once the picture asked for is really there, and nothing was asked since
    this.whenDrawn((tookMs) => {
      if (tookMs > SLOW_MS) this.slow = true;
      const wait = Math.max(SHARPEN_MS, this.expected - performance.now());
      this.sharpening = setTimeout(() => this.sharpen(), wait);
    });
  }

  /** More to draw will come within so long: a fine picture, which takes what the server needs to
   * make it, waits for that; 0 once it is here. */
  expect(ms) {
    this.expected = performance.now() + ms;
  }

  render({ coarse }) {
    this.coarse = coarse;
    this.paint(this.renderer, coarse);
    this.frames += 1;
  }

  /** At rest a software picture is drawn finer once, in place of multisampling each frame. */
  sharpen() {
    this.sharpening = 0;
    if (this.closed || this.frame || this.busy) return;
    const pixel = this.dull ? this.basePixel : MOST_PIXEL;
    if (this.pixel === pixel && !this.coarse) return;
    this.setPixel(pixel);
    this.render({ coarse: false });
    this.whenDrawn((tookMs) => {
      if (tookMs > DULL_MS) this.dull = true;
    });
  }

  /** For measuring: every picture at one size, none finer or coarser. */
  calm() {
    this.dull = true;
    this.slow = false;
    this.steady = true;
  }

  /** Tell how long drawing took once it is done; a later picture takes the place of this one. */
  whenDrawn(done) {
    const gl = this.renderer.getContext();
    if (this.fence) gl.deleteSync(this.fence);
    const fence = gl.fenceSync(gl.SYNC_GPU_COMMANDS_COMPLETE, 0);
    this.fence = fence;
    gl.flush();
    const begun = performance.now();
    clearTimeout(this.fenceTimer);
    const look = () => {
      if (this.closed || this.fence !== fence) return;
      if (gl.isContextLost()) {
        this.fence = null;
        return;
      }
      if (gl.getSyncParameter(fence, gl.SYNC_STATUS) !== gl.SIGNALED) {
        this.fenceTimer = setTimeout(look, 8);
        return;
      }
      gl.deleteSync(fence);
      this.fence = null;
      done(performance.now() - begun);
    };
    this.fenceTimer = setTimeout(look, 0);
  }

  dispose() {
    this.closed = true;
    clearTimeout(this.sharpening);
    clearTimeout(this.fenceTimer);
    cancelAnimationFrame(this.frame);
    this.renderer.dispose();
    this.renderer.forceContextLoss();
  }
}
