// Play: one canvas with the frame and its flight, the table from above, time, rallies.
import { Film, frameAt, frameOn } from "/static/film.js";
import { ballAt, drawFlight } from "/static/flight.js";
import { bounceAt, drawCourt } from "/static/court.js";
import { START, drawReplay, nearer, turned } from "/static/replay.js";
import { drawTimeline, timeAt } from "/static/timeline.js";

const RATES = [0.125, 0.25, 0.5, 1];
const AHEAD = 14;
const NEAR_S = 2;
const PHASES = ["serve", "return", "third ball", "rally"];
const LENGTHS = [[1, 2], [3, 4], [5, 8], [9, 999]];
// what is listed of a clip, by its kind: one of them, several
const LISTED = {
  play: ["Rally", "rallies"], serves: ["Serve", "serves"], feed: ["Stroke", "strokes"],
  drop: ["Bounce", "bounces"], marks: ["Mark", "marks"],
};
const AROUND_S = 0.3; // of an entry without rallies, in space
const RAREST = 4; // of the frames to show at least every fourth
const WELL = 90; // frames in time, after which more are shown again
const NONE = { player: "", kind: "", phase: "", server: "", length: "", zone: "" };

// at a rate, of the frames to show every n-th; the first may come late
const freshPace = (rate) => ({ rate, every: 1, inTime: -1 });
const paced = ({ rate, every, inTime }, came) => {
  if (!came) return inTime < 0 ? { rate, every, inTime } : { rate, every: Math.min(every + 1, RAREST), inTime: 0 };
  return inTime + 1 < WELL ? { rate, every, inTime: inTime + 1 } : { rate, every: Math.max(every - 1, 1), inTime: 0 };
};

export default {
  template: `
    <div class="play" ref="root" @pointerdown="byKeys = false" @click="release" @change="release">
      <div class="play-film">
        <div class="stage-box" :style="{ '--ratio': size[0] / size[1] }"><div class="stage">
          <canvas ref="film" role="img" :aria-label="'Frame ' + index + ' of the clip with the flight of the ball'"></canvas>
        </div></div>
        <div class="transport">
          <button type="button" class="button main" @click="turn" :aria-pressed="String(playing)">{{ playing ? 'Pause' : 'Play' }} <kbd>space</kbd></button>
          <button type="button" class="button small" aria-label="One frame back" @click="go(index - 1)"><kbd class="kept">←</kbd></button>
          <button type="button" class="button small" aria-label="One frame on" @click="go(index + 1)"><kbd class="kept">→</kbd></button>
          <button type="button" class="button small" @click="hop(-1)">Touch before <kbd>↑</kbd></button>
          <button type="button" class="button small" @click="hop(1)">Next touch <kbd>↓</kbd></button>
          <label class="inline">Speed
            <select v-model.number="rate"><option v-for="r in rates" :key="r" :value="r">{{ r === 1 ? 'full' : '1/' + 1 / r }}</option></select>
          </label>
          <output class="number grow">{{ when }}</output>
        </div>
        <div class="filters" role="group" aria-label="What is shown, in all views" v-if="struck">
          <label>Player<select v-model="only.player"><option value="">both</option><option value="A">{{ play.names.A }}</option><option value="B">{{ play.names.B }}</option></select></label>
          <label v-if="play.kind !== 'serves'">{{ practice ? 'Kind' : 'Stroke' }}<select v-model="only.kind"><option value="">all</option><option v-for="k in play.kinds" :key="k">{{ k }}</option></select></label>
          <label v-if="!practice">Phase<select v-model="only.phase"><option value="">all</option><option v-for="p in phases" :key="p">{{ p }}</option></select></label>
          <label v-if="!practice">Served by<select v-model="only.server"><option value="">both</option><option value="A">{{ play.names.A }}</option><option value="B">{{ play.names.B }}</option></select></label>
          <label>{{ one }}<select v-model="only.length"><option value="">all</option><option value="now">this one</option><template v-if="!practice"><option v-for="l in lengths" :key="l[0]" :value="l[0]">{{ lengthWords(l) }}</option></template></select></label>
          <label>Zone<select v-model="only.zone"><option value="">all</option><optgroup v-for="(names, of) in zones" :key="of" :label="of"><option v-for="z in names" :key="z" :value="of + ' ' + z">{{ z }}</option></optgroup></select></label>
          <p class="shown-of" v-if="filtered" role="status"><span>{{ allowed.length }} of {{ contacts.length }} touches, {{ shownEntries.length }} of {{ entries.length }} {{ several }}</span>
            <button type="button" class="button small quiet" @click="showAll">Show all</button></p>
        </div>
      </div>
      <aside class="play-side" :aria-label="'Map and ' + several">
        <div class="buttons" role="group" aria-label="View of the table">
          <button type="button" class="button small" :aria-pressed="String(!space)" @click="space = false">From above</button>
          <button type="button" class="button small" :aria-pressed="String(space)" @click="space = true">In space</button>
        </div>
        <canvas v-show="!space" ref="court" class="court" role="img" :aria-label="courtWords" @pointerdown="pick"></canvas>
        <canvas v-show="space" ref="replay" class="court space" tabindex="0" role="img" :aria-label="'The flights of this ' + one.toLowerCase() + ' in space;  drag or use the arrow keys to turn, + and - to come nearer'"
          @pointerdown="turnView" @wheel.prevent="zoom($event.deltaY > 0 ? 1.1 : 0.9)" @keydown="viewKey"></canvas>
        <div class="now">
          <p v-if="touch" aria-live="off"><strong :class="{ struck: touch.gone }">{{ touchTitle(touch) }}</strong> {{ touchWords(touch) }}</p>
          <p class="soft" v-else>No touch of the ball before this moment.</p>
          <div class="buttons" v-if="touch && editable">
            <button type="button" class="button small" :aria-pressed="String(touch.gone)" @click="sayNone">{{ noneWords(touch) }} <kbd>X</kbd></button>
            <template v-if="!touch.gone && touch.player && ['racket', 'table', 'edge'].includes(touch.kind)"><button type="button" class="button small" v-for="w in ['A', 'B']" :key="w" :aria-pressed="String(touch.player === w)" @click="saySide(w)">By {{ play.names[w] }}</button></template>
          </div>
        </div>
        <ol class="rallies" :aria-label="several">
          <li class="none" v-for="f in play.findings" :key="f">{{ f }}</li>
          <li class="soft none" v-if="!shownEntries.length">{{ nothingWords }}</li>
          <li v-for="r in shownEntries" :key="r.id" :class="{ here: entry && entry.id === r.id }">
            <div class="rally-row"><input type="checkbox" :value="r.id" v-model="picked" :aria-label="one + ' ' + r.id + ' for a video'" v-if="fresh && struck">
            <button type="button" class="rally" @click="goTime(r.from)" :aria-current="entry && entry.id === r.id ? 'true' : null">
              <span class="rally-number">{{ r.id }}</span>
              <span class="grow">{{ practice ? r.words : rallyWords(r) }}<small>{{ practice ? r.more : doubtWords(r) }}</small></span>
            </button></div>
            <div class="say" v-if="!practice && entry && entry.id === r.id && editable">
              <span>Point</span><div class="buttons"><button type="button" class="button small" v-for="w in ['A', 'B']" :key="w" :aria-label="'Point to ' + play.names[w]" :aria-pressed="String(r.winner === w)" @click="say(r, { winner: w })">{{ play.names[w] }}</button>
                <button type="button" class="button small" @click="say(r, { winner: 'let' })" :aria-pressed="String(r.how === 'let')">Let</button></div>
              <span>Served</span><div class="buttons"><button type="button" class="button small" v-for="w in ['A', 'B']" :key="w" :aria-label="play.names[w] + ' served'" :aria-pressed="String(r.server === w)" @click="say(r, { server: w })">{{ play.names[w] }}</button></div>
              <div class="buttons whole-row" v-if="fresh"><button type="button" class="button small" @click="$emit('cut', [r.id])">Save as video</button></div>
            </div>
          </li>
        </ol>
        <div class="side-foot" v-if="picked.length">
          <span class="grow">{{ picked.length }} {{ picked.length === 1 ? one.toLowerCase() : several }} chosen</span>
          <button type="button" class="button small quiet" v-if="picked.length < shownEntries.length" @click="picked = shownEntries.map((r) => r.id)">All shown</button>
          <button type="button" class="button small quiet" @click="picked = []">None</button>
          <button type="button" class="button small main" @click="cutPicked">Save as one video</button>
        </div>
        <div class="side-foot" v-if="play.words.length || undoable">
          <details class="grow"><summary>{{ play.words.length }} {{ play.words.length === 1 ? 'correction' : 'corrections' }}</summary>
            <ul><li v-for="w in play.words" :key="w.table + w.index"><button type="button" class="as-link grow" @click="goTime(w.t)">{{ wordWords(w) }}</button>
              <button type="button" class="button small quiet" @click="$emit('back', w)">Take back</button></li></ul>
            <p v-for="n in play.notes" :key="n" class="doubt-line">{{ n }}</p></details>
          <button type="button" class="button small" v-if="undoable" @click="$emit('undo')">Undo {{ undoable }} <kbd>U</kbd></button>
        </div>
      </aside>
      <canvas ref="timeline" class="timeline" role="img" :aria-label="'Time line of ' + several + ', strokes and bounces; the list of ' + several + ' holds the same'" @pointerdown="seek"></canvas>
    </div>`,
  props: { base: String, times: Array, size: Array, play: Object, editable: Boolean, undoable: String, fresh: Boolean },
  data() {
    return {
      index: 0, shown: 0, playing: false, rate: 0.25, rates: RATES, phases: PHASES,
      lengths: LENGTHS,
      space: false, look: START, only: { ...NONE }, picked: [],
    };
  },
  computed: {
    now() { return this.times[this.index]; },
    when() { return `frame ${this.index} · ${this.now.toFixed(3)} s`; },
    practice() { return this.play.kind !== "play"; },
    struck() { return ["play", "serves", "feed"].includes(this.play.kind); },
    one() { return LISTED[this.play.kind][0]; },
    several() { return LISTED[this.play.kind][1]; },
    // what is listed, and which of it is on now
    entries() { return this.practice ? this.play.items : this.play.rallies; },
    entry() { return [...this.entries].reverse().find((r) => r.from <= this.now + 0.02) ?? this.entries[0]; },
    entryOf() {
      if (!this.practice) return new Map(this.play.contacts.map((c) => [c.id, c.rally]));
      return new Map(this.entries.flatMap((e) => e.touches.map((id) => [id, e.id])));
    },
    // as measured, with what a person said of them; what was struck bears its striker
    contacts() {
      return this.play.contacts.map((c) => {
        const word = this.play.corrected[c.id];
        const striker = c.player ?? (this.practice ? this.strokeOf.get(c.id)?.end : null);
        return { ...c, gone: word === "none", player: word && word !== "none" ? word : striker };
      });
    },
    touch() { return this.contacts.filter((c) => c.t <= this.now + 0.02).at(-1); },
    zones() { return { Depth: this.play.depths, "Seen by the striker": this.play.widths }; },
    filtered() { return Object.values(this.only).some(Boolean); },
    // the stroke that each touch belongs to
    strokeOf() {
      const own = new Map(this.play.strokes.map((s) => [s.contact, s]));
      const out = new Map();
      if (this.practice) {
        for (const e of this.entries) for (const id of e.touches) if (own.has(e.contact)) out.set(id, own.get(e.contact));
        return out;
      }
      let last = null;
      for (const c of this.play.contacts) {
        if (c.kind === "racket") last = own.get(c.id) ?? null;
        if (last && last.rally !== c.rally) last = null;
        if (last) out.set(c.id, last);
      }
      return out;
    },
    allowed() {
      const { player, kind, phase, server, length, zone } = this.only;
      const rallies = new Map(this.play.rallies.map((r) => [r.id, r]));
      const [least, most] = LENGTHS.find((l) => l[0] === length) ?? [0, Infinity];
      return this.contacts.filter((c) => {
        const stroke = this.strokeOf.get(c.id);
        const rally = rallies.get(c.rally);
        if (player && (c.player ?? stroke?.end) !== player) return false;
        if (kind && stroke?.kind !== kind) return false;
        if (phase && stroke?.phase !== phase) return false;
        if (zone && zone !== `Depth ${stroke?.depth}` && zone !== `Seen by the striker ${stroke?.width}`) return false;
        if (server && rally?.server !== server) return false;
        if (length === "now") return this.entryOf.get(c.id) === this.entry?.id;
        return !length || (rally && rally.strokes >= least && rally.strokes <= most);
      });
    },
    // a flight is shown with the touch that it comes from
    flights() {
      if (!this.filtered) return this.play.flights;
      const ids = new Set(this.allowed.map((c) => c.id));
      return this.play.flights.filter((f) => f.contact === null || ids.has(f.contact));
    },
    shownEntries() {
      if (!this.filtered || (this.only.length === "now" && Object.values(this.only).filter(Boolean).length === 1)) return this.entries;
      const kept = new Set(this.allowed.map((c) => this.entryOf.get(c.id)));
      return this.entries.filter((r) => kept.has(r.id));
    },
    nothingWords() {
      if (this.entries.length) return `No ${this.one.toLowerCase()} fits what is chosen.`;
      if (!this.contacts.length) return "No ball was seen in play. The Ball screen shows what was taken for one, and why not.";
      return `No ${this.one.toLowerCase()} here. The arrow keys ↑ and ↓ go from touch to touch.`;
    },
    // what the view in space shows: this entry, or what is near this moment where there is none
    near() {
      const [from, to] = this.entry && this.practice ? [this.entry.from - AROUND_S, this.entry.to + AROUND_S] : [this.now - NEAR_S, this.now + NEAR_S];
      const same = (rally, first, last) => (this.entry && !this.practice ? rally === this.entry.id : first < to && last > from);
      return {
        flights: this.flights.filter((f) => same(f.rally, f.t[0], f.t.at(-1))),
        touches: this.allowed.filter((c) => !c.gone && same(c.rally, c.t, c.t)),
      };
    },
    courtWords() {
      const n = this.allowed.filter((c) => c.kind === "table" && !c.gone).length;
      return `The table from above with ${n} ${n === 1 ? "bounce" : "bounces"}`;
    },
  },
  watch: {
    space() { this.$nextTick(this.draw); },
    look() { this.draw(); },
    only: { deep: true, handler() { this.draw(); } },
    play() { this.draw(); },
  },
  mounted() {
    this.film = new Film(this.base, this.times.length, 960);
    this.film.arrived = (i, rough) => {
      if (!rough && i !== this.index) return;
      this.shown = i;
      this.draw();
    };
    this.watcher = new ResizeObserver(() => this.draw());
    this.watcher.observe(this.$refs.root);
    window.addEventListener("theme", this.draw);
    window.addEventListener("keydown", this.key);
    this.byKeys = false;
    this.goTime(this.entries[0]?.from ?? this.contacts[0]?.t ?? this.times[0]);
  },
  unmounted() {
    this.playing = false;
    this.watcher.disconnect();
    window.removeEventListener("theme", this.draw);
    window.removeEventListener("keydown", this.key);
  },
  methods: {
    // --- moving in time
    go(i, quick = false) {
      const step = Math.sign(i - this.index) || 1;
      this.playing = false;
      this.index = Math.min(this.times.length - 1, Math.max(0, i));
      if (this.film.get(this.index)) this.shown = this.index;
      if (quick) this.film.scrub(this.index);
      else this.film.want(this.index, [1, 2, 3, 4, 5, 6].map((k) => this.index + k * step));
      this.draw();
    },
    goTime(t, quick = false) { return this.go(frameAt(this.times, t), quick); },
    hop(way) {
      const list = this.allowed.length ? this.allowed : this.contacts;
      const next = way > 0 ? list.find((c) => this.frameOf(c) > this.index) : [...list].reverse().find((c) => this.frameOf(c) < this.index);
      if (next) this.go(this.frameOf(next));
    },
    // the frame in which a touch is first behind us
    frameOf(c) {
      const late = 0.5 * this.play.exposure_s + this.play.readout_s * (c.uv ? c.uv[1] / this.size[1] : 0.5);
      const i = frameAt(this.times, c.t - late);
      return Math.min(this.times.length - 1, this.times[i] + late < c.t ? i + 1 : i);
    },
    turn() {
      this.playing = !this.playing;
      if (!this.playing) return;
      if (this.index >= this.times.length - 1) this.index = 0;
      this.clock = { from: this.now, at: performance.now() };
      this.pace = freshPace(this.rate);
      this.awaited = -1;
      requestAnimationFrame(this.tick);
    },
    // what is drawn is always one frame with its own flight; where frames come late, time waits,
    // and where that goes on, fewer are shown
    tick(at) {
      if (!this.playing) return;
      if (this.pace.rate !== this.rate) this.pace = freshPace(this.rate);
      const t = this.clock.from + (this.rate * (at - this.clock.at)) / 1000;
      const i = frameAt(this.times, t);
      const step = Math.max(1, Math.round(this.rate * 2)) * this.pace.every;
      const ahead = Array.from({ length: AHEAD }, (_, k) => i - (i % step) + (k + 1) * step);
      const frame = i - (i % step);
      if (frame !== this.index) {
        this.film.want(frame, ahead);
        if (this.film.get(frame)) {
          this.index = this.shown = frame;
          this.draw();
          this.pace = paced(this.pace, true);
        } else {
          if (frame !== this.awaited) this.pace = paced(this.pace, false);
          this.awaited = frame;
          this.clock = { from: this.now, at };
        }
      }
      if (i >= this.times.length - 1) this.playing = false;
      requestAnimationFrame(this.tick);
    },
    // what was clicked gives the keys back to the film; who goes by Tab keeps the place
    release({ target, type }) {
      if (this.byKeys || (target.tagName === "SELECT") !== (type === "change")) return;
      target.closest("button, input, select")?.blur();
    },
    key(event) {
      this.byKeys = true;
      const in_ = event.target.tagName;
      if (event.ctrlKey || event.metaKey || event.altKey || in_ === "INPUT" || in_ === "SELECT") return;
      const act = {
        ArrowLeft: () => this.go(this.index - (event.shiftKey ? 10 : 1)),
        ArrowRight: () => this.go(this.index + (event.shiftKey ? 10 : 1)),
        ArrowUp: () => this.hop(-1),
        ArrowDown: () => this.hop(1),
        " ": () => this.turn(),
        "[": () => this.slower(-1),
        "]": () => this.slower(1),
        x: () => this.touch && this.editable && this.sayNone(),
        u: () => this.undoable && this.$emit("undo"),
      }[event.key];
      if (!act || (event.key === " " && in_ === "BUTTON")) return;
      event.preventDefault();
      act();
    },
    slower(way) {
      this.rate = RATES[Math.min(RATES.length - 1, Math.max(0, RATES.indexOf(this.rate) + way))];
    },
    seek(event) {
      const canvas = event.target;
      const move = (e) => this.goTime(timeAt(canvas, e, this.view()), true);
      canvas.setPointerCapture(event.pointerId);
      move(event);
      canvas.onpointermove = move;
      canvas.onpointerup = canvas.onpointercancel = () => { canvas.onpointermove = null; };
    },
    pick(event) {
      const c = bounceAt(this.$refs.court, event, this.allowed.filter((c) => !c.gone));
      if (c) this.go(this.frameOf(c));
    },
    turnView(event) {
      const canvas = event.target;
      canvas.focus();
      canvas.setPointerCapture(event.pointerId);
      const from = this.look;
      canvas.onpointermove = (e) => { this.look = turned(from, 0.008 * (e.clientX - event.clientX), 0.008 * (e.clientY - event.clientY)); };
      canvas.onpointerup = canvas.onpointercancel = () => { canvas.onpointermove = null; };
    },
    zoom(factor) { this.look = nearer(this.look, factor); },
    viewKey(event) {
      const way = { ArrowLeft: [-0.1, 0], ArrowRight: [0.1, 0], ArrowUp: [0, 0.1], ArrowDown: [0, -0.1] }[event.key];
      if (way) this.look = turned(this.look, ...way);
      else if (event.key === "+") this.zoom(0.9);
      else if (event.key === "-") this.zoom(1.1);
      else return;
      event.preventDefault();
      event.stopPropagation(); // the arrow keys move in time elsewhere
    },
    // --- a person's word
    say(rally, words) { this.$emit("say", { t: (rally.from + rally.to) / 2, ...words }); },
    // what is measured is no word: saying it again takes the word back
    sayTouch(words) {
      const own = this.play.words.filter((w) => w.table === "touches" && Math.abs(w.t - this.touch.t) < 0.05).at(-1);
      if (own && (own.was || own.player) === (words.was || words.player)) this.$emit("back", own);
      else this.$emit("touch", { t: this.touch.t, ...words });
    },
    sayNone() { this.sayTouch({ was: "none" }); },
    saySide(end) {
      const measured = this.play.contacts.find((c) => c.id === this.touch.id).player;
      if (end !== this.touch.player || end !== measured) this.sayTouch({ player: end });
    },
    cutPicked() { this.$emit("cut", [...this.picked].sort((a, b) => a - b)); this.picked = []; },
    showAll() { this.only = { ...NONE }; },
    // --- words
    lengthWords([least, most]) { return most > 99 ? `${least} strokes and more` : `${least} to ${most} strokes`; },
    noneWords(c) { return { table: "No bounce", racket: "No stroke" }[c.kind] ?? "No touch"; },
    wordWords(w) {
      const at = `at ${w.t.toFixed(2)} s`;
      if (w.table === "touches") return w.was === "none" ? `No touch ${at}` : `Struck by ${this.name(w.player)} ${at}`;
      const said = [w.server && `${this.name(w.server)} served`, w.winner && (w.winner === "let" ? "let" : `point to ${this.name(w.winner)}`)];
      return `${said.filter(Boolean).join(", ")}, rally ${at}`;
    },
    name(end) { return end ? this.play.names[end] : "unknown"; },
    rallyWords(r) {
      const strokes = `${r.strokes} ${r.strokes === 1 ? "stroke" : "strokes"}`;
      const served = r.server ? `${this.name(r.server)} serves` : "start not seen";
      const end = r.how === "let" ? "let" : r.winner ? `point to ${this.name(r.winner)}` : "end not known";
      return `${served}, ${strokes}, ${end}`;
    },
    doubtWords(r) { return r.doubt || (r.winner && r.sure < 0.99 ? `${Math.round(100 * r.sure)} % sure` : ""); },
    touchTitle(c) {
      const kinds = { table: "Bounce", racket: "Stroke", net: "Net", edge: "Edge", floor: "Floor", other: "Touch" };
      const stroke = this.strokeOf.get(c.id);
      if (c.kind === "racket" && stroke) return `${this.name(stroke.end)}: ${stroke.kind === "unknown" ? "stroke" : stroke.kind}`;
      return kinds[c.kind];
    },
    touchWords(c) {
      const value = (v, unit, least) => {
        if (!v) return "not known";
        const digits = Math.min(3, Math.max(least, Math.ceil(-Math.log10(v[1])))); // no error reads as 0
        return `${v[0].toFixed(digits)} ± ${v[1].toFixed(digits)} ${unit}`;
      };
      if (c.gone) return `at ${c.t.toFixed(2)} s, taken out by you`;
      if (c.kind === "table") {
        const mm = Math.round(1000 * c.ellipse[0]);
        return `at ${c.t.toFixed(2)} s, ${Math.abs(c.xyz[0]).toFixed(2)} m from the net on side ${c.side}, known to ${mm} mm; in ${value(c.speed_in, "m/s", 1)}, out ${value(c.speed_out, "m/s", 1)}`;
      }
      return `at ${c.t.toFixed(2)} s; ball leaves with ${value(c.speed_out, "m/s", 1)}, topspin ${value(c.spin_out, "turns/s", 0)}`;
    },
    // --- drawing
    view() { return { whole: [this.times[0], this.times[this.times.length - 1]], now: this.now }; },
    draw() {
      if (!this.$refs.film) return;
      this.drawFilm();
      const { flights, touches } = this.near;
      const ball = ballAt(this.play, this.now, this.size[1]);
      const real = this.allowed.filter((c) => !c.gone);
      if (this.space) drawReplay(this.$refs.replay, this.look, flights, touches, ball?.xyz, this.now);
      else drawCourt(this.$refs.court, real, this.touch?.id, ball?.xyz, this.only.length === "now" ? flights : []);
      drawTimeline(this.$refs.timeline, this.entries, this.one, this.contacts, new Set(this.allowed.map((c) => c.id)), this.view());
    },
    drawFilm() {
      const canvas = this.$refs.film;
      const [g, line] = frameOn(canvas, this.film.get(this.shown), this.size);
      if (!this.play.drawn) return;
      const shown = this.allowed.filter((c) => !c.gone);
      drawFlight(g, this.play, this.flights, shown, this.times[this.shown], this.size, line);
    },
  },
};
