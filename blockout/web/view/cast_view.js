// The thin Vue component around the view: props in, events out, methods passed on.
import { THREE } from "nicegui-scene";
import { createView } from "blockout-view";

const METHODS = [
  "setLayers",
  "showLayer",
  "setOpacity",
  "setColour",
  "setLevels",
  "refreshDepth",
  "setShading",
  "tilt",
  "setDirection",
  "showSpindle",
  "setView",
  "lookFrom",
  "setProjection",
  "setUpright",
  "flyTo",
  "zoomToFit",
  "setLines",
  "setLinesFrom",
  "removeLines",
  "setMarkers",
  "setDrawing",
  "setProbing",
  "setSection",
  "setTheme",
  "setAddresses",
  "state",
];

const EVENTS = [
  "ready",
  "loaded",
  "clicked",
  "hovered",
  "tilting",
  "tilted",
  "drawn",
  "selected",
  "ended",
  "turned",
  "trouble",
];

const methods = {};
for (const name of METHODS) {
  methods[name] = function (...given) {
    return this.view ? this.view[name](...given) : undefined;
  };
}

export default {
  template: `<div class="blockout-view"></div>`,
  emits: EVENTS,
  props: {
    layers: { type: Array, default: () => [] },
    frame: { type: Array, required: true },
    arch: { type: String, required: true },
    archStated: { type: Boolean, default: true },
    depthUrl: { type: String, default: "" },
    probeUrl: { type: String, default: "" },
    depthLayer: { type: String, default: "cast" },
    pictures: { type: Array, default: () => [] },
    maps: { type: Object, default: () => ({}) },
    label: { type: String, default: "" },
    theme: { type: String, default: "auto" },
    tilts: { type: Array, default: () => [0, 0] },
    mostTilt: { type: Number, default: 30 },
    withoutWebgl: { type: Boolean, default: false },
  },
  mounted() {
    this.view = createView(THREE, this.$el, {
      ...this.$props,
      layers: JSON.parse(JSON.stringify(this.layers)),
      say: (name, detail) => this.$emit(name, detail),
    });
    this.view.start();
  },
  beforeUnmount() {
    this.view?.dispose();
    this.view = null;
  },
  watch: {
    layers: {
      deep: true,
      handler(layers) {
        this.view?.setLayers(JSON.parse(JSON.stringify(layers)));
      },
    },
    pictures(pictures) {
      this.view?.setPictures([...pictures]);
    },
  },
  methods,
};
