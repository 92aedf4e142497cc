// Labels: one at a time with its neighbours in time, or many on a sheet; keys for everything.
const AHEAD = 6;
const TILES = 5;
const KEYS = { r: "right", w: "wrong", n: "none" };
const DONE = { right: "right", wrong: "wrong", moved: "moved", none: "no ball" };

export default {
  template: `
    <div class="labels" ref="root">
      <div v-if="!sheet && label" class="one">
        <div class="look">
          <div class="big-box"><canvas ref="big" class="big" width="640" height="640" tabindex="0" role="img" :aria-label="claim + '. ' + label.why"
            @pointerdown="drag"></canvas></div>
          <div class="neighbours"><figure v-for="k in tiles" :key="k"><canvas :ref="'near' + k" width="200" height="200" aria-hidden="true"></canvas>
            <figcaption>{{ k === 0 ? 'now' : (k > 0 ? '+' : '−') + Math.abs(k) }}</figcaption></figure></div>
        </div>
        <div class="ask">
          <p class="soft number">{{ at + 1 }} of {{ list.length }} · {{ label.clip }}, frame {{ label.frame }}, {{ label.t.toFixed(3) }} s</p>
          <h2>{{ claim }}</h2>
          <p>{{ why }}</p>
          <p class="soft">{{ sureWords }}</p>
          <div class="verdicts" v-if="!moving">
            <button type="button" class="button main" @click="act('right')" :aria-pressed="pressed('right')">Right <kbd>R</kbd></button>
            <button type="button" class="button" @click="act('wrong')" :aria-pressed="pressed('wrong')">Wrong <kbd>W</kbd></button>
            <button type="button" class="button" @click="startMove" v-if="label.uv" :aria-pressed="pressed('moved')">Move it <kbd>M</kbd></button>
            <button type="button" class="button" @click="act('none')" :aria-pressed="pressed('none')">No ball in this picture <kbd>N</kbd></button>
          </div>
          <div class="verdicts" v-else>
            <p class="note">Drag the ring onto the ball, or move it with the arrow keys (Shift: a tenth of a pixel).</p>
            <button type="button" class="button main" @click="act('moved')">The ball is here <kbd>Enter</kbd></button>
            <button type="button" class="button" @click="moving = null">Leave it <kbd>Esc</kbd></button>
          </div>
          <div class="buttons">
            <button type="button" class="button small quiet" @click="step(1)">Skip <kbd>S</kbd></button>
            <button type="button" class="button small quiet" @click="step(-1)">Back <kbd>B</kbd></button>
            <button type="button" class="button small quiet" @click="undo" :disabled="!past.length">Undo <kbd>U</kbd></button>
          </div>
          <img class="whole" :src="whole" alt="">
        </div>
      </div>
      <div v-else-if="sheet && list.length" class="sheet" role="grid" aria-label="Labels of this list">
        <div role="row" class="sheet-row">
        <div v-for="(x, k) in list" :key="x.id" role="gridcell" class="cell" :class="said[x.id] || x.decision" :tabindex="k === at ? 0 : -1"
          :ref="el => cells[k] = el" @focus="at = k" @click="at = k" :aria-label="cellWords(x)">
          <img v-if="k < fetched + 2" :src="strip(x, 0)" alt="" width="288" height="288" @load="fetched += 1" @error="fetched += 1"><span>{{ cellWords(x) }}</span>
        </div></div>
      </div>
      <div v-else class="empty lone"><h2>{{ list.length ? 'All seen' : 'Nothing here' }}</h2>
        <p>{{ list.length ? 'You have been through this list. Undo takes the last decision back.' : emptyWords }}</p>
        <button v-if="past.length" type="button" class="button" @click="undo">Undo <kbd>U</kbd></button>
        <button v-if="list.length" type="button" class="button main" @click="$emit('again')">Look for more</button></div>
    </div>`,
  props: { base: String, list: Array, sheet: Boolean, emptyWords: String },
  data() {
    return { at: 0, said: {}, past: [], moving: null, fetched: 0, tiles: [-2, -1, 0, 1, 2] };
  },
  computed: {
    label() { return this.list[this.at]; },
    isBall() { return ["positive", "recovered"].includes(this.label.kind); },
    claim() {
      return { positive: "This is the ball.", recovered: "The ball is here, though nothing noticed it.", negative: "This is not the ball.", none: "There is no ball in this picture." }[this.label.kind];
    },
    why() { return this.label.why ? this.label.why[0].toUpperCase() + this.label.why.slice(1) + "." : ""; },
    sureWords() {
      const sure = `The program is ${Math.round(100 * this.label.sure)} % sure.`;
      const worth = this.label.worth;
      return worth == null ? sure : `${sure} Your answer teaches ${worth > 0.6 ? "much" : worth > 0.25 ? "something" : "a little"}.`;
    },
    whole() { return `${this.base}/${encodeURIComponent(this.label.clip)}/${this.label.frame}.jpg?width=320`; },
  },
  watch: {
    at() { this.moving = null; this.show(); },
    list(now, before) {
      // the same list comes again when something else is told with it
      if (now.length === before.length && now.every((x, k) => x.id === before[k].id)) return;
      this.at = this.fetched = 0; this.said = {}; this.show(); },
    sheet() { this.show(); },
    moving() { this.paint(); },
  },
  created() { this.cells = []; }, // of the sheet; not watched, as each drawing writes all of them
  mounted() {
    this.strips = new Map();
    window.addEventListener("keydown", this.key);
    window.addEventListener("theme", this.paint);
    this.show();
  },
  unmounted() {
    window.removeEventListener("keydown", this.key);
    window.removeEventListener("theme", this.paint);
  },
  methods: {
    strip(x, near) {
      const [u, v] = x.uv ?? [0, 0];
      return `${this.base}/${encodeURIComponent(x.clip)}/strip.jpg?frame=${x.frame}&u=${u}&v=${v}&side=${x.side}&near=${near}`;
    },
    fetch(x) {
      if (!x || this.strips.has(x.id)) return;
      const image = new Image();
      image.src = this.strip(x, 2);
      this.strips.set(x.id, image);
      image.decode().then(() => { if (x.id === this.label?.id) this.paint(); }, () => this.strips.delete(x.id));
    },
    show() {
      if (this.sheet) { this.$nextTick(() => this.cells[this.at]?.focus({ preventScroll: false })); return; }
      for (let k = 0; k <= AHEAD; k += 1) this.fetch(this.list[this.at + k]);
      this.$nextTick(this.paint);
    },
    // --- drawing
    paint() {
      const big = this.$refs.big;
      const x = this.label;
      if (!big || !x) return;
      const image = this.strips.get(x.id);
      const ready = image?.complete && image.naturalWidth;
      const tile = ready ? image.naturalWidth / TILES : 0;
      const put = (canvas, k) => {
        const g = canvas.getContext("2d");
        g.fillStyle = halfvolley.colour("film");
        g.fillRect(0, 0, canvas.width, canvas.height);
        if (ready) g.drawImage(image, (k + 2) * tile, 0, tile, tile, 0, 0, canvas.width, canvas.height);
        return g;
      };
      const g = put(big, 0);
      for (const k of this.tiles) {
        const canvas = this.$refs[`near${k}`];
        if (canvas) put(Array.isArray(canvas) ? canvas[0] : canvas, k);
      }
      if (!x.uv) return;
      const scale = big.width / x.side;
      const [u, v] = this.moving ?? x.uv;
      const at = [big.width / 2 + (u - x.uv[0]) * scale, big.height / 2 + (v - x.uv[1]) * scale];
      const [du, dv] = (x.streak ?? [0, 0]).map((d) => (d * scale) / 2);
      const r = Math.max(6, x.r * scale);
      const angle = Math.atan2(dv, du);
      for (const [width, colour] of [[5, "#0c1116"], [2.2, this.moving ? "#ffe45e" : "#ffffff"]]) {
        g.lineWidth = width;
        g.strokeStyle = colour;
        g.setLineDash(this.moving ? [] : [10, 8]);
        g.beginPath();
        g.arc(at[0] + du, at[1] + dv, 1.35 * r, angle - Math.PI / 2, angle + Math.PI / 2);
        g.arc(at[0] - du, at[1] - dv, 1.35 * r, angle + Math.PI / 2, angle - Math.PI / 2);
        g.closePath();
        g.stroke();
      }
      g.setLineDash([]);
    },
    // --- deciding
    act(verdict) {
      const x = this.label;
      if (!x) return;
      const said = { id: x.id, act: verdict };
      if (verdict === "moved") said.uv = this.moving;
      this.said[x.id] = verdict;
      this.past.push(x.id);
      this.moving = null;
      this.$emit("decide", said);
      this.step(1);
    },
    undo() {
      const id = this.past.pop();
      if (id === undefined) return;
      delete this.said[id];
      this.$emit("undo", id);
      const k = this.list.findIndex((x) => x.id === id);
      if (k >= 0) this.at = k;
    },
    failed(id) {
      delete this.said[id];
      this.past = this.past.filter((x) => x !== id);
      const k = this.list.findIndex((x) => x.id === id);
      if (k >= 0) this.at = k;
    },
    step(way) {
      const last = this.sheet ? this.list.length - 1 : this.list.length;
      this.at = Math.min(last, Math.max(0, this.at + way));
    },
    startMove() { if (this.label.uv) { this.moving = [...this.label.uv]; this.$refs.big.focus(); } },
    drag(event) {
      if (!this.label.uv) return;
      this.startMove();
      const canvas = event.target;
      const x = this.label;
      const place = (e) => {
        const box = canvas.getBoundingClientRect();
        this.moving = [
          x.uv[0] + ((e.clientX - box.left) / box.width - 0.5) * x.side,
          x.uv[1] + ((e.clientY - box.top) / box.height - 0.5) * x.side,
        ];
      };
      canvas.setPointerCapture(event.pointerId);
      place(event);
      canvas.onpointermove = place;
      canvas.onpointerup = canvas.onpointercancel = () => { canvas.onpointermove = null; };
    },
    key(event) {
      const tag = event.target.tagName;
      if (event.ctrlKey || event.metaKey || event.altKey || tag === "INPUT" || tag === "SELECT") return;
      const key = event.key.toLowerCase();
      const arrow = { arrowleft: [-1, 0], arrowright: [1, 0], arrowup: [0, -1], arrowdown: [0, 1] }[key];
      let done = true;
      if (this.moving && arrow) {
        const step = event.shiftKey ? 0.1 : 1;
        this.moving = [this.moving[0] + step * arrow[0], this.moving[1] + step * arrow[1]];
      } else if (this.moving && key === "enter" && tag !== "BUTTON") this.act("moved");
      else if (this.moving && key === "escape") this.moving = null;
      else if (KEYS[key] && this.label) this.act(KEYS[key]);
      else if (key === "m" && !this.sheet && this.label) this.startMove();
      else if (key === "s") this.step(1);
      else if (key === "b") this.step(-1);
      else if (key === "u") this.undo();
      else if (this.sheet && arrow) this.step(arrow[0] + arrow[1] * this.columns());
      else done = false;
      if (done) event.preventDefault();
    },
    columns() {
      const first = this.cells[0]?.offsetTop;
      const n = this.cells.findIndex((el) => el && el.offsetTop !== first);
      return n > 0 ? n : this.list.length;
    },
    // --- words
    pressed(verdict) { return String(this.said[this.label.id] === verdict); },
    cellWords(x) {
      const kind = { positive: "ball", recovered: "ball, unnoticed", negative: "not the ball", none: "no ball" }[x.kind];
      const now = this.said[x.id];
      return now ? `${kind}: ${DONE[now]}` : `${kind}, ${Math.round(100 * x.sure)} %`;
    },
  },
};
