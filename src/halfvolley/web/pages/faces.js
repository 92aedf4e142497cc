// Faces: each frame as it is handed on, and regions that are blurred in all of them.
import { Film, frameOn } from "/static/film.js";
import { HANDLES, regions } from "/static/regions.js";

export default {
  mixins: [regions],
  template: `
    <div class="viewer">
      <div class="stage-box" :style="{ '--ratio': size[0] / size[1] }"><div class="stage" ref="stage">
        <canvas ref="canvas" role="img" :aria-label="'Frame ' + index + ' as it is handed on'"></canvas>
        ${HANDLES}
      </div></div>
      <div class="scrub">
        <button type="button" class="button small" aria-label="One frame back" @click="go(index - 1)">◂</button>
        <button type="button" class="button small" aria-label="One frame on" @click="go(index + 1)">▸</button>
        <input type="range" min="0" :max="times.length - 1" :value="index" aria-label="Frame" :aria-valuetext="when" @input="go(+$event.target.value)">
        <output class="number">{{ when }}</output>
      </div>
    </div>`,
  props: { base: String, times: Array, size: Array, start: Array, editable: Boolean, handed: String },
  data() { return { index: 0, shown: 0 }; },
  computed: { when() { return `frame ${this.index} · ${this.times[this.index].toFixed(3)} s`; } },
  mounted() {
    this.film = new Film(this.base, this.times.length, 960, `&handed=${this.handed}`);
    this.film.arrived = (i) => { if (i === this.index) { this.shown = i; this.draw(); } };
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.$refs.stage);
    this.go(0);
  },
  unmounted() { this.watcher.disconnect(); },
  methods: {
    go(i) {
      this.index = Math.min(this.times.length - 1, Math.max(0, i));
      if (this.film.get(this.index)) this.shown = this.index;
      this.film.want(this.index, [this.index + 1, this.index + 2]);
      this.draw();
    },
    draw() {
      const canvas = this.$refs.canvas;
      if (!canvas) return;
      const [g, line] = frameOn(canvas, this.film?.get(this.shown), this.size);
      this.drawRegions(g, line);
    },
  },
};
