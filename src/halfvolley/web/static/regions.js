// Regions drawn on a picture: polygons whose corners are dragged, or moved by arrow keys.
// A view that mixes this in has `start`, `size`, `editable`, a `stage`, and draws with `draw`.
export const HANDLES = `<template v-for="(region, r) in regions" :key="r">
  <button v-for="(p, k) in region" :key="k" type="button" class="corner b" :style="place(p)" :disabled="!editable"
    :aria-label="'Region ' + (r + 1) + ', corner ' + (k + 1) + '; arrow keys move it'"
    @pointerdown="grab($event, r, k)" @keydown="nudge($event, r, k)">{{ r + 1 }}</button></template>`;

export const regions = {
  data() {
    return { regions: this.start.map((r) => r.map((p) => [...p])) };
  },
  methods: {
    add() {
      const [w, h] = this.size;
      const k = this.regions.length % 4;
      const [x, y] = [w * (0.08 + 0.2 * k), h * 0.1];
      this.regions.push([[x, y], [x + 0.16 * w, y], [x + 0.16 * w, y + 0.2 * h], [x, y + 0.2 * h]]);
      this.tell();
    },
    remove() {
      this.regions.pop();
      this.tell();
    },
    tell() {
      this.$emit("regions", this.regions);
      this.draw();
    },
    place([u, v]) { return { left: `${(100 * (u + 0.5)) / this.size[0]}%`, top: `${(100 * (v + 0.5)) / this.size[1]}%` }; },
    move(r, k, u, v) {
      this.regions[r][k] = [Math.min(this.size[0], Math.max(0, u)), Math.min(this.size[1], Math.max(0, v))];
      this.tell();
    },
    grab(event, r, k) {
      if (!this.editable) return;
      event.preventDefault();
      const handle = event.target;
      handle.focus();
      handle.setPointerCapture(event.pointerId);
      const from = [...this.regions[r][k]];
      const scale = this.size[0] / this.$refs.stage.clientWidth;
      handle.onpointermove = (e) => this.move(r, k, from[0] + scale * (e.clientX - event.clientX), from[1] + scale * (e.clientY - event.clientY));
      handle.onpointerup = handle.onpointercancel = () => { handle.onpointermove = null; };
    },
    nudge(event, r, k) {
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!way || !this.editable) return;
      event.preventDefault();
      const step = event.shiftKey ? 10 : 1;
      this.move(r, k, this.regions[r][k][0] + step * way[0], this.regions[r][k][1] + step * way[1]);
    },
    // on a context whose unit is a picture's pixel
    drawRegions(g, line) {
      g.lineWidth = 2 * line;
      for (const region of this.regions) {
        g.beginPath();
        region.forEach(([u, v], k) => (k ? g.lineTo(u, v) : g.moveTo(u, v)));
        g.closePath();
        g.fillStyle = "rgb(12 17 22 / 55%)";
        g.fill();
        g.strokeStyle = "#ffffff";
        g.stroke();
      }
    },
  },
};
