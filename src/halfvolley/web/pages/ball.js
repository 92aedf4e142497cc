// Ball: every candidate of a frame and what became of it; regions where no ball is looked for.
import { Film, fit, frameOn } from "/static/film.js";
import { HANDLES, regions } from "/static/regions.js";

const FATES = [
  ["The ball", "lies on a flight that a ball can fly"],
  ["Stands still", "it does not move, so it is part of the hall"],
  ["No flight", "it moves smoothly, but on no path that a ball can fly at this table"],
  ["Unlike a ball", "it is blurred or has another shape, much less like a ball than the others"],
  ["Once only", "nothing smooth goes through it: before and after, nothing is there"],
];
const COLOURS = ["#ffe45e", "#9fb2c4", "#f2a65c", "#c59be8", "#7fc8f0"];

export default {
  mixins: [regions],
  template: `
    <div class="viewer">
      <div class="stage-box" :style="{ '--ratio': size[0] / size[1] }"><div class="stage" ref="stage">
        <canvas ref="canvas" role="img" :aria-label="'Frame ' + index + ' with ' + here.length + ' candidates'"></canvas>
        ${HANDLES}
      </div></div>
      <div class="scrub">
        <button type="button" class="button small" aria-label="One frame back" @click="go(index - 1)"><kbd>←</kbd></button>
        <button type="button" class="button small" aria-label="One frame on" @click="go(index + 1)"><kbd>→</kbd></button>
        <button type="button" class="button small" @click="hop">Next frame without the ball <kbd>↓</kbd></button>
        <input type="range" min="0" :max="times.length - 1" :value="index" aria-label="Frame" :aria-valuetext="when" @input="go(+$event.target.value, true)">
        <output class="number">{{ when }}</output>
      </div>
      <canvas ref="strip" class="found" role="img" :aria-label="foundWords" @pointerdown="seek"></canvas>
      <ol class="candidates" aria-label="Candidates of this frame">
        <li v-for="(c, k) in here.slice(0, 12)" :key="k"><i :style="{ borderColor: colours[c.fate] }"></i>
          <strong>{{ fates[c.fate][0] }}</strong> {{ fates[c.fate][1] }}; {{ Math.round(100 * c.score) }} % like a ball</li>
        <li v-if="known && answered && !here.length" class="soft">Nothing in this frame moves and looks like a ball.</li>
        <li v-if="here.length > 12" class="soft">and {{ here.length - 12 }} more that look less like a ball</li>
      </ol>
    </div>`,
  props: { base: String, times: Array, size: Array, found: Array, known: Boolean, start: Array, editable: Boolean, first: Number },
  data() {
    return { index: 0, shown: 0, here: [], answered: false, fates: FATES, colours: COLOURS };
  },
  computed: {
    when() { return `frame ${this.index} · ${this.times[this.index].toFixed(3)} s`; },
    foundWords() {
      const n = this.found.filter((f) => f === 2).length;
      return `The ball was found in ${n} of ${this.found.length} frames`;
    },
  },
  mounted() {
    this.film = new Film(this.base, this.times.length, 960);
    this.film.arrived = (i, rough) => { if (rough || i === this.index) { this.shown = i; this.draw(); } };
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.$refs.stage);
    window.addEventListener("theme", this.draw);
    window.addEventListener("keydown", this.key);
    this.go(this.first >= 0 ? this.first : Math.max(0, this.found.indexOf(2)));
  },
  unmounted() {
    this.watcher.disconnect();
    window.removeEventListener("theme", this.draw);
    window.removeEventListener("keydown", this.key);
  },
  methods: {
    go(i, quick = false) {
      const step = Math.sign(i - this.index) || 1;
      this.index = Math.min(this.times.length - 1, Math.max(0, i));
      if (this.film.get(this.index)) this.shown = this.index;
      if (quick) this.film.scrub(this.index);
      else this.film.want(this.index, [1, 2, 3, 4].map((k) => this.index + k * step));
      this.here = [];
      this.answered = false;
      this.$emit("look", this.index);
      this.draw();
    },
    show(frame, candidates) {
      if (frame !== this.index) return;
      this.here = candidates;
      this.answered = true;
      this.draw();
    },
    hop() {
      const next = this.found.findIndex((f, i) => i > this.index && f !== 2);
      if (next >= 0) this.go(next);
    },
    key(event) {
      const tag = event.target.tagName;
      if (event.ctrlKey || event.metaKey || event.altKey || tag === "INPUT" || event.target.classList.contains("corner")) return;
      const act = { ArrowLeft: () => this.go(this.index - 1), ArrowRight: () => this.go(this.index + 1), ArrowDown: this.hop }[event.key];
      if (!act) return;
      event.preventDefault();
      act();
    },
    seek(event) {
      const box = event.target.getBoundingClientRect();
      this.go(Math.floor(((event.clientX - box.left) / box.width) * this.times.length));
    },
    // --- drawing
    draw() {
      const canvas = this.$refs.canvas;
      if (!canvas) return;
      const [g, line] = frameOn(canvas, this.film?.get(this.shown), this.size);
      if (this.shown === this.index) for (const c of [...this.here].reverse()) this.mark(g, c, line);
      this.drawRegions(g, line);
      this.drawStrip();
    },
    mark(g, c, line) {
      const [u, v] = c.uv;
      const r = Math.max(c.fate === 0 ? 12 * line : 7 * line, 2 * c.r);
      g.beginPath();
      if (c.fate === 0) g.arc(u, v, r, 0, 2 * Math.PI);
      else g.rect(u - r, v - r, 2 * r, 2 * r);
      g.strokeStyle = "#0c1116";
      g.lineWidth = 3.5 * line;
      g.stroke();
      g.strokeStyle = COLOURS[c.fate];
      g.lineWidth = (c.fate === 0 ? 2.2 : 1.4) * line;
      g.stroke();
    },
    drawStrip() {
      const canvas = this.$refs.strip;
      fit(canvas);
      const g = canvas.getContext("2d");
      const n = this.found.length;
      const colours = [halfvolley.colour("sunk"), halfvolley.colour("hair"), halfvolley.colour("good")];
      const wide = canvas.width / n;
      g.clearRect(0, 0, canvas.width, canvas.height);
      for (let x = 0; x < canvas.width; x += 1) {
        const from = Math.min(n - 1, Math.floor(x / wide));
        const f = Math.max(...this.found.slice(from, Math.max(from + 1, Math.floor((x + 1) / wide))));
        g.fillStyle = colours[f];
        g.fillRect(x, f === 2 ? 0 : canvas.height * 0.4, 1, canvas.height);
      }
      g.fillStyle = halfvolley.colour("trouble");
      g.fillRect(this.index * wide - 1, 0, 3, canvas.height);
    },
  },
};
