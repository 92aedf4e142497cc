// How a training goes: what is held out is found the better the higher, the loss the lower.
const WIDE = 320;
const HIGH = 120;
const LEFT = 34;
const BELOW = 18;
const LINES = [["own", "this footage, held out", "b"], ["made", "made halls, held out", "a"]];

export default {
  template: `
    <figure class="curve" v-if="points.length" role="img" :aria-label="words">
      <template v-for="chart in charts" :key="chart.title">
        <figcaption><span class="key-of">{{ chart.title }}</span>
          <span v-for="[name, title, look] in chart.lines" :key="name" :class="'key ' + look">{{ title }}</span></figcaption>
        <svg :viewBox="'0 0 ' + wide + ' ' + high" aria-hidden="true">
          <g class="grid"><template v-for="y in [chart.low, chart.high]" :key="y">
            <line :x1="left" :x2="wide" :y1="at(chart, y)" :y2="at(chart, y)" /><text :x="left - 5" :y="at(chart, y) + 4" text-anchor="end">{{ chart.show(y) }}</text></template></g>
          <line v-if="best" class="best" :x1="stepX(best)" :x2="stepX(best)" :y1="at(chart, chart.high)" :y2="at(chart, chart.low)" />
          <g v-for="[name, , look] in chart.lines" :key="name" :class="'line ' + look"><polyline :points="line(chart, name)" />
            <circle v-for="p in of(name)" :key="p.step" :cx="stepX(p.step)" :cy="at(chart, p[name])" r="2.4" /></g>
          <text :x="left" :y="high - 3">0</text><text :x="wide" :y="high - 3" text-anchor="end">{{ last }} steps</text>
        </svg>
      </template>
    </figure>`,
  props: { points: Array, steps: Number, best: Number },
  data() { return { wide: WIDE, high: HIGH, left: LEFT, below: BELOW }; },
  computed: {
    last() { return Math.max(this.steps || 0, ...this.points.map((p) => p.step), 1); },
    charts() {
      const held = LINES.filter(([name]) => this.of(name).length);
      const shares = held.flatMap(([name]) => this.of(name).map((p) => p[name]));
      const losses = this.of("loss").map((p) => p.loss);
      const out = [];
      if (held.length) {
        const low = Math.max(0, Math.floor(10 * Math.min(...shares, 0.9)) / 10);
        out.push({ title: "Average precision on what was held out, in %", lines: held, low, high: 1, show: (y) => Math.round(100 * y) });
      }
      if (losses.length > 1) {
        out.push({ title: "Loss: falling is good", lines: [["loss", "what is taught", "soft"]], low: Math.min(...losses), high: Math.max(...losses), show: (y) => y.toFixed(2) });
      }
      return out;
    },
    words() {
      const p = this.points.at(-1);
      const found = LINES.filter(([name]) => p[name] != null).map(([name, title]) => `${title} ${(100 * p[name]).toFixed(1)} %`);
      return [`Training curve, newest point at step ${p.step}`, ...found].join(", ");
    },
  },
  methods: {
    of(name) { return this.points.filter((p) => p[name] != null); },
    stepX(step) { return LEFT + 3 + (step / this.last) * (WIDE - LEFT - 6); },
    at(chart, y) { return 6 + ((chart.high - y) / Math.max(1e-9, chart.high - chart.low)) * (HIGH - BELOW - 12); },
    line(chart, name) { return this.of(name).map((p) => `${this.stepX(p.step)},${this.at(chart, p[name])}`).join(" "); },
  },
};
