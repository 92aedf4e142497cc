// The clip's frames with the table's model over them; four corners that can be dragged.
import { Film, fit } from "/static/film.js";

const MARGIN = 0.05; // shown around the picture: corners may lie outside it
const ZOOM = 5;
const NAMES = ["end A, first corner", "end A, second corner", "end B, first corner", "end B, second corner"];

export default {
  template: `
    <div class="viewer">
      <div class="stage-box" :style="{ '--ratio': ratio }"><div class="stage" ref="stage">
        <canvas ref="canvas" aria-hidden="true"></canvas>
        <button v-for="(corner, k) in points" :key="k" type="button" class="corner" :class="k < 2 ? 'a' : 'b'"
          :style="place(corner)" :aria-label="label(k)" :disabled="!editable"
          @pointerdown="grab($event, k)" @keydown="nudge($event, k)" @focus="held = k; draw()" @blur="held = null; draw()"
          >{{ k < 2 ? 'A' : 'B' }}</button>
      </div></div>
      <div class="scrub">
        <button type="button" class="button small" aria-label="One frame back" @click="go(index - 1)">◂</button>
        <button type="button" class="button small" aria-label="One frame on" @click="go(index + 1)">▸</button>
        <input type="range" min="0" :max="count - 1" :value="index" aria-label="Frame" :aria-valuetext="when"
          @input="go(+$event.target.value, true)">
        <output class="number">{{ when }}</output>
      </div>
    </div>`,
  props: { base: String, count: Number, times: Array, size: Array, corners: Array, lines: Array, editable: Boolean },
  data() {
    return { index: 0, shown: 0, points: this.corners.map((c) => [...c]), held: null, model: this.lines };
  },
  computed: {
    ratio() { return this.size[0] / this.size[1]; },
    when() { return `frame ${this.index} · ${this.times[this.index].toFixed(3)} s`; },
  },
  mounted() {
    this.film = new Film(this.base, this.count, 1920);
    this.film.arrived = (i, rough) => {
      if (!rough && i !== this.index) return;
      this.shown = i;
      this.draw();
    };
    this.asked = false;
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.$refs.stage);
    window.addEventListener("theme", this.draw);
    this.go(0);
    if (!this.lines.length) this.ask();
  },
  unmounted() {
    this.watcher.disconnect();
    window.removeEventListener("theme", this.draw);
  },
  methods: {
    // --- frames
    go(i, quick = false) {
      const step = Math.sign(i - this.index) || 1;
      this.index = Math.min(this.count - 1, Math.max(0, i));
      if (this.film.get(this.index)) this.shown = this.index;
      if (quick) this.film.scrub(this.index);
      else this.film.want(this.index, [1, 2, 3, 4].map((k) => this.index + k * step));
      this.draw();
    },
    // --- corners
    place([u, v]) {
      const share = (x, n) => (100 * ((x + 0.5) / n + MARGIN)) / (1 + 2 * MARGIN);
      return { left: `${share(u, this.size[0])}%`, top: `${share(v, this.size[1])}%` };
    },
    label(k) {
      const [u, v] = this.points[k];
      return `Corner of ${NAMES[k]}, at ${u.toFixed(0)}, ${v.toFixed(0)} pixels; arrow keys move it`;
    },
    grab(event, k) {
      if (!this.editable) return;
      event.preventDefault();
      event.target.focus();
      event.target.setPointerCapture(event.pointerId);
      const start = [event.clientX, event.clientY];
      const from = [...this.points[k]];
      const scale = (this.size[0] * (1 + 2 * MARGIN)) / this.$refs.stage.clientWidth;
      const move = (e) => {
        const slow = e.shiftKey ? 0.1 : 1;
        this.move(k, from[0] + slow * scale * (e.clientX - start[0]), from[1] + slow * scale * (e.clientY - start[1]));
      };
      const drop = () => {
        event.target.removeEventListener("pointermove", move);
        event.target.removeEventListener("pointerup", drop);
        event.target.removeEventListener("pointercancel", drop);
      };
      event.target.addEventListener("pointermove", move);
      event.target.addEventListener("pointerup", drop);
      event.target.addEventListener("pointercancel", drop);
    },
    nudge(event, k) {
      const way = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[event.key];
      if (!way || !this.editable) return;
      event.preventDefault();
      const step = event.shiftKey ? 10 : event.altKey ? 0.1 : 1;
      this.move(k, this.points[k][0] + step * way[0], this.points[k][1] + step * way[1]);
    },
    move(k, u, v) {
      const room = (x, n) => Math.min(n * (1 + MARGIN), Math.max(-n * MARGIN, x));
      this.points[k] = [room(u, this.size[0]), room(v, this.size[1])];
      this.ask();
      this.draw();
    },
    swap() {
      this.points = [2, 3, 0, 1].map((k) => this.points[k]);
      this.ask();
    },
    // one question at a time; the newest corners are asked about when the answer is there
    ask() {
      if (this.asked) { this.again = true; return; }
      this.asked = true;
      this.again = false;
      this.$emit("corners", this.points, this.shown);
    },
    showModel(lines) {
      this.model = lines;
      this.asked = false;
      if (this.again) this.ask();
      this.draw();
    },
    // --- drawing
    draw() {
      const canvas = this.$refs.canvas;
      if (!canvas) return;
      const ratio = fit(canvas);
      const g = canvas.getContext("2d");
      const [w, h] = this.size;
      const scale = canvas.width / (w * (1 + 2 * MARGIN));
      g.setTransform(1, 0, 0, 1, 0, 0);
      g.fillStyle = halfvolley.colour("film");
      g.fillRect(0, 0, canvas.width, canvas.height);
      const image = this.film?.get(this.shown);
      const paint = (to, at, line) => {
        to.setTransform(at.scale, 0, 0, at.scale, at.x, at.y);
        to.imageSmoothingEnabled = at.scale < 3;
        if (image) to.drawImage(image, 0, 0, w, h);
        // from here on pixel centres are at integers
        to.translate(0.5, 0.5);
        to.strokeStyle = halfvolley.colour("model");
        to.lineWidth = line / at.scale;
        for (const points of this.model) {
          to.beginPath();
          points.forEach(([u, v], k) => (k ? to.lineTo(u, v) : to.moveTo(u, v)));
          to.stroke();
        }
      };
      paint(g, { scale, x: scale * w * MARGIN, y: scale * h * MARGIN }, 1.5 * ratio);
      if (this.held !== null) this.magnify(g, paint, scale, ratio);
    },
    magnify(g, paint, scale, ratio) {
      const [u, v] = this.points[this.held];
      const canvas = g.canvas;
      const side = 0.3 * canvas.height;
      const left = u < this.size[0] / 2 ? canvas.width - side - 12 * ratio : 12 * ratio;
      const top = 12 * ratio;
      g.save();
      g.setTransform(1, 0, 0, 1, 0, 0);
      g.beginPath();
      g.rect(left, top, side, side);
      g.clip();
      g.fillStyle = halfvolley.colour("film");
      g.fillRect(left, top, side, side);
      const zoom = ZOOM * scale;
      paint(g, { scale: zoom, x: left + side / 2 - zoom * (u + 0.5), y: top + side / 2 - zoom * (v + 0.5) }, 1.5 * ratio);
      g.restore();
      g.setTransform(1, 0, 0, 1, 0, 0);
      g.strokeStyle = "#ffffff";
      g.lineWidth = ratio;
      g.strokeRect(left, top, side, side);
      const [x, y] = [left + side / 2, top + side / 2];
      for (const [a, b] of [[-1, 0], [1, 0], [0, -1], [0, 1]]) {
        g.beginPath();
        g.moveTo(x + 5 * ratio * a, y + 5 * ratio * b);
        g.lineTo(x + 18 * ratio * a, y + 18 * ratio * b);
        g.stroke();
      }
    },
  },
};
