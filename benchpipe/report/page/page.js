// The page without a library: trends are unpacked when they are seen, zoomed by pointer, wheel, touch and keys.
'use strict';
const NS = 'http://www.w3.org/2000/svg';
const BLOCK_NULL = 254, BLOCK_ESCAPE = 255;
const COLUMN = 8; // values of a level in one of the next
const LEFT = 62, RIGHT = 62, TOP = 26, BOTTOM = 44, HEIGHT = 220, LEAST = 20;
const SINGLE = 1.5; // cycles a pixel up to which each is drawn
const FAR = 1.5; // a limit farther away than the range of the values times this is an arrow

const svg = (name, attributes = {}, ...inside) => {
  const made = document.createElementNS(NS, name);
  for (const key in attributes) made.setAttribute(key, attributes[key]);
  made.append(...inside);
  return made;
};
const text = (x, y, words, kind) => svg('text', {x: x.toFixed(1), y: y.toFixed(1), class: kind}, words);
const line = (x1, y1, x2, y2, kind) =>
  svg('path', {d: `M${x1.toFixed(1)} ${y1.toFixed(1)}L${x2.toFixed(1)} ${y2.toFixed(1)}`, class: kind});
const number = (v, digits = 4) => {
  if (!Number.isFinite(v)) return '–';
  if (v === Math.round(v) && Math.abs(v) < 1e12) return v.toLocaleString('en');
  if (Math.abs(v) < 1e-4 || Math.abs(v) >= 1e12) return v.toExponential(digits - 1);
  return (+v.toPrecision(digits)).toLocaleString('en', {maximumFractionDigits: 10});
};

// --- coded values: base64 → inflated bytes → residuals of the blocks' medians → values

async function inflated(words) {
  const raw = Uint8Array.from(atob(words), letter => letter.charCodeAt(0));
  const stream = new Blob([raw]).stream().pipeThrough(new DecompressionStream('deflate-raw'));
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

async function decoded(coded) {
  const [codes, more, steps] = await Promise.all([coded.codes, coded.escapes, coded.medians].map(inflated));
  const escapes = new Uint32Array(more.buffer), medians = new Int32Array(steps.buffer);
  const values = new Float64Array(coded.n);
  let taken = 0, median = 0;
  for (let i = 0, block = 0; i < coded.n; i++) {
    if (i % coded.block === 0) median += medians[block++];
    const code = codes[i];
    if (code === BLOCK_NULL) { values[i] = NaN; continue; }
    const zigzag = code === BLOCK_ESCAPE ? escapes[taken++] : code;
    values[i] = coded.low + coded.step * (median + (zigzag % 2 ? -(zigzag + 1) / 2 : zigzag / 2));
  }
  return values;
}

function levels(values) { // of smallest and largest values, each level an eighth of the one before
  const made = [];
  let low = values, high = values;
  while (low.length > 512) {
    const n = Math.ceil(low.length / COLUMN), a = new Float64Array(n), b = new Float64Array(n);
    for (let i = 0; i < n; i++) {
      let least = Infinity, most = -Infinity;
      for (let j = i * COLUMN, end = Math.min(j + COLUMN, low.length); j < end; j++) {
        if (low[j] < least) least = low[j];
        if (high[j] > most) most = high[j];
      }
      a[i] = least; b[i] = most;
    }
    made.push([a, b]); low = a; high = b;
  }
  return made;
}

function extremes(values, pyramid, from, to) { // smallest and largest of values[from..to)
  let least = Infinity, most = -Infinity;
  const span = (low, high, a, b) => {
    for (let i = a; i < b; i++) { if (low[i] < least) least = low[i]; if (high[i] > most) most = high[i]; }
  };
  const walk = (a, b, level) => {
    const [low, high] = level < 0 ? [values, values] : pyramid[level];
    const first = Math.ceil(a / COLUMN), last = Math.floor(b / COLUMN);
    if (level + 1 < pyramid.length && last > first) {
      span(low, high, a, first * COLUMN); walk(first, last, level + 1); span(low, high, last * COLUMN, b);
    } else span(low, high, a, b);
  };
  walk(from, to, -1);
  return [least, most];
}

function ticks(low, high, about) {
  const raw = (high - low) / about, ten = 10 ** Math.floor(Math.log10(raw));
  const step = [1, 2, 5, 10].map(k => k * ten).find(s => s >= 0.75 * raw), made = [];
  for (let k = Math.ceil(low / step - 1e-9); k * step <= high + step * 1e-9; k++) made.push(+(k * step).toPrecision(12));
  return made;
}
function tickTexts(marks) {
  if (marks.length < 2) return marks.map(v => number(v));
  const places = Math.max(0, -Math.floor(Math.log10(marks[1] - marks[0]) + 1e-9));
  if (places > 6) return marks.map(v => v.toPrecision(4));
  return marks.map(v => v.toLocaleString('en', {minimumFractionDigits: places, maximumFractionDigits: places}));
}

// --- one trend; all trends of a block share a view

class Trend {
  constructor(figure, data, values, view) {
    Object.assign(this, {figure, data, values, view});
    this.pyramid = levels(values);
    this.svg = figure.querySelector('svg');
    this.said = figure.querySelector('output');
    this.svg.classList.add('live');
    this.svg.setAttribute('tabindex', 0);
    this.svg.setAttribute('role', 'application');
    this.svg.setAttribute('aria-roledescription', 'chart');
    this.svg.setAttribute('aria-label', `${data.label} over the cycles. Arrow keys move, plus and minus zoom, ` +
      'Home and End go to the ends, 0 shows all, W goes to the largest departure.');
    this.svg.setAttribute('aria-describedby', this.said.id);
    view.charts.push(this);
    this.keys(); this.pointers();
    new IntersectionObserver(([seen]) => {
      this.visible = seen.isIntersecting;
      if (this.visible && this.stale) this.draw();
    }, {rootMargin: '150px'}).observe(this.svg);
  }

  update(all) { // what is not seen is drawn once it is
    if (all || this.visible || document.activeElement === this.svg) this.draw();
    else this.stale = true;
  }

  x(cycle) { return LEFT + (cycle - this.view.from) / (this.view.to - this.view.from) * (this.width - LEFT - RIGHT); }

  columns() { // [cycle, smallest, largest] of each pixel, or of each cycle where there is room
    const {from, to} = this.view, n = this.values.length, wide = Math.floor(this.width - LEFT - RIGHT), made = [];
    const first = Math.max(0, Math.floor(from)), last = Math.min(n, Math.ceil(to));
    if (to - from <= wide * SINGLE) {
      for (let i = first; i < last; i++) made.push([i + 0.5, this.values[i], this.values[i]]);
      return [made, true];
    }
    for (let k = 0; k < wide; k++) {
      const a = Math.max(first, Math.floor(from + (to - from) * k / wide));
      const b = Math.min(last, Math.floor(from + (to - from) * (k + 1) / wide));
      if (b <= a) continue;
      const [least, most] = extremes(this.values, this.pyramid, a, b);
      made.push([(a + b) / 2, most < least ? NaN : least, most < least ? NaN : most]);
    }
    return [made, false];
  }

  draw() {
    this.stale = false;
    const {from, to} = this.view, data = this.data;
    this.width = Math.max(280, Math.round(this.svg.getBoundingClientRect().width) || 640);
    this.svg.setAttribute('viewBox', `0 0 ${this.width} ${HEIGHT}`);
    const right = this.width - RIGHT, bottom = HEIGHT - BOTTOM, [points, single] = this.columns();
    let low = Infinity, high = -Infinity;
    for (const [, a, b] of points) { if (a < low) low = a; if (b > high) high = b; }
    if (!Number.isFinite(low)) { low = 0; high = 1; }
    const seen = [low, high], span = Math.max(high - low, data.least);
    for (const limit of data.limits) if (limit.value >= seen[0] - FAR * span && limit.value <= seen[1] + FAR * span) {
      low = Math.min(low, limit.value); high = Math.max(high, limit.value);
    }
    const half = Math.max(high - low, data.least, 1e-12) * 0.56, middle = (low + high) / 2;
    low = middle - half; high = middle + half;
    const y = v => TOP + (high - v) / (high - low) * (bottom - TOP);
    const layer = document.createDocumentFragment(), put = (...some) => layer.append(...some);
    this.axes(put, low, high, y, right, bottom);
    let free = -99;
    for (const stop of data.stops) {
      if (stop <= from || stop >= to) continue;
      const at = this.x(stop);
      if (at - free >= 2) { put(line(at, TOP, at, bottom, 'stop')); if (free < 0) put(text(at + 3, bottom - 4, 'stop', 'stop-name')); free = at; }
    }
    put(...this.curves(points, single, y));
    for (const limit of data.limits) put(...this.limit(limit, low, high, y, right, bottom));
    this.svg.replaceChildren(layer);
    const unit = data.unit ? ` ${data.unit}` : '';
    const cycles = `cycles ${number(Math.floor(from) + 1)} to ${number(Math.min(this.values.length, Math.ceil(to)))}`;
    this.words = `${data.label}, ${cycles}: ${number(seen[0])} to ${number(seen[1])}${unit}; ` +
      (single ? 'every cycle drawn' : 'smallest to largest of each column');
    if (document.activeElement === this.svg || !this.said.textContent) this.said.textContent = this.words;
  }

  axes(put, low, high, y, right, bottom) {
    const {from, to} = this.view, data = this.data;
    const marks = ticks(low, high, 4), words = tickTexts(marks);
    marks.forEach((v, k) => put(line(LEFT, y(v), right, y(v), 'grid'), text(LEFT - 6, y(v) + 4, words[k], 'tick end')));
    const across = ticks(from + 1, to, Math.max(3, Math.floor((right - LEFT) / 80)));
    for (const v of across) if (v === Math.round(v)) {
      const at = this.x(v - 0.5);
      put(line(at, TOP, at, bottom, 'grid'), text(at, bottom + 16, number(v), 'tick mid'));
    }
    put(text(right, bottom + 34, 'cycle', 'axis end'));
    put(text(8, TOP - 10, data.unit ? `${data.label} [${data.unit}]` : data.label, 'axis'));
    if (data.base) {
      const percent = ticks(100 * (low / data.base - 1), 100 * (high / data.base - 1), 4);
      const texts = tickTexts(percent);
      percent.forEach((v, k) => {
        const at = y(data.base * (1 + v / 100));
        put(line(right, at, right + 4, at, 'grid'), text(right + 7, at + 4, `${v > 0 ? '+' : ''}${texts[k]} %`, 'tick'));
      });
      put(text(this.width - 4, TOP - 10, 'since baseline', 'axis end'));
    }
  }

  curves(points, single, y) {
    const made = [], at = c => this.x(c).toFixed(1);
    if (single) {
      let d = '', draw = false;
      for (const [c, v] of points) { if (v === v) d += `${draw ? 'L' : 'M'}${at(c)} ${y(v).toFixed(1)}`; draw = v === v; }
      made.push(svg('path', {d, class: 'single'}));
      if (points.length < 220) {
        const r = 2;
        made.push(svg('path', {class: 'dot', d: points.filter(p => p[1] === p[1]).map(([c, v]) =>
          `M${(this.x(c) - r).toFixed(1)} ${y(v).toFixed(1)}a${r} ${r} 0 1 0 ${2 * r} 0a${r} ${r} 0 1 0 ${-2 * r} 0`).join('')}));
      }
    } else {
      let d = '';
      for (const [c, a, b] of points) if (a === a) d += `M${at(c)} ${y(b).toFixed(1)}V${Math.max(y(a), y(b) + 0.8).toFixed(1)}`;
      made.push(svg('path', {d, class: 'extent'}));
    }
    const {from, to} = this.view, y0 = TOP, clip = `clip-${this.figure.id}`;
    const inside = all => all.filter(([first, last]) => last >= from && first - 1 <= to), bins = inside(this.data.bins);
    const steps = some => some.map(([first, last, v]) => `M${at(first - 1)} ${y(v).toFixed(1)}H${at(last)}`).join('');
    made.push(svg('clipPath', {id: clip}, svg('rect', {x: LEFT, y: y0, width: this.width - LEFT - RIGHT, height: HEIGHT - TOP - BOTTOM})));
    if (this.data.u) made.push(svg('path', {class: 'band', 'clip-path': `url(#${clip})`, d: bins.map(([first, last, v]) =>
      `M${at(first - 1)} ${y(v + this.data.u).toFixed(1)}H${at(last)}V${y(v - this.data.u).toFixed(1)}H${at(first - 1)}Z`).join('')}));
    made.push(svg('path', {class: 'median', 'clip-path': `url(#${clip})`, d: steps(bins)}),
      svg('path', {class: 'corrected', 'clip-path': `url(#${clip})`, d: steps(inside(this.data.corrected))}));
    return made;
  }

  limit(limit, low, high, y, right, bottom) {
    if (limit.value >= low && limit.value <= high) {
      const at = y(limit.value), above = at - 18 > TOP ? at - 5 : at + 14;
      return [line(LEFT, at, right, at, 'limit'), text(right - 4, above, limit.name, 'limit-name end')];
    }
    const up = limit.value > high, at = up ? TOP + 4 : bottom - 4;
    return [svg('path', {class: 'arrow', d: `M${right - 12} ${at}l4 ${up ? 7 : -7}h-8z`}),
      text(right - 22, at + (up ? 9 : -2), limit.name, 'limit-name end')];
  }

  worst() { const w = this.data.worst; if (w) this.view.show(w - 60, w + 60); }

  keys() {
    const view = this.view;
    const actions = {ArrowLeft: () => view.move(-0.2), ArrowRight: () => view.move(0.2), '+': () => view.zoom(0.5),
      '=': () => view.zoom(0.5), '-': () => view.zoom(2), '0': () => view.show(0, view.n), w: () => this.worst(),
      W: () => this.worst(), Home: () => view.show(0, view.to - view.from),
      End: () => view.show(view.n - (view.to - view.from), view.n)};
    this.svg.addEventListener('keydown', event => {
      const act = actions[event.key];
      if (!act || event.ctrlKey || event.metaKey || event.altKey) return;
      event.preventDefault(); act();
    });
    this.svg.addEventListener('focus', () => { this.said.textContent = this.words; });
  }

  pointers() {
    const view = this.view, down = new Map();
    let box = null, start = 0, pinch = null;
    const at = event => {
      const frame = this.svg.getBoundingClientRect(), x = (event.clientX - frame.left) / frame.width * this.width;
      return view.from + (x - LEFT) / (this.width - LEFT - RIGHT) * (view.to - view.from);
    };
    const ends = () => [...down.values()].map(at).sort((a, b) => a - b);
    this.svg.addEventListener('wheel', event => {
      if (document.activeElement !== this.svg) return; // else the page scrolls
      event.preventDefault(); view.zoom(event.deltaY < 0 ? 0.7 : 1 / 0.7, at(event));
    }, {passive: false});
    this.svg.addEventListener('pointerdown', event => {
      down.set(event.pointerId, event);
      if (down.size === 2) {
        box?.remove(); box = null;
        pinch = {cycles: ends(), from: view.from, to: view.to};
      } else if (event.pointerType !== 'touch') {
        start = at(event); this.svg.setPointerCapture(event.pointerId);
        box = svg('rect', {class: 'box', y: TOP, height: HEIGHT - TOP - BOTTOM}); this.svg.append(box);
      }
    });
    this.svg.addEventListener('pointermove', event => {
      if (!down.has(event.pointerId)) return;
      down.set(event.pointerId, event);
      if (pinch && down.size === 2) { // the cycles under both fingers stay there
        const [a, b] = ends(), scale = (pinch.cycles[1] - pinch.cycles[0]) / Math.max(b - a, 1e-9);
        const wide = (view.to - view.from) * scale, share = (a - view.from) / (view.to - view.from);
        view.show(pinch.cycles[0] - share * wide, pinch.cycles[0] - share * wide + wide);
      } else if (box) {
        const [a, b] = [this.x(start), this.x(at(event))].sort((p, q) => p - q);
        box.setAttribute('x', a); box.setAttribute('width', b - a);
      }
    });
    const up = event => {
      down.delete(event.pointerId);
      if (down.size < 2) pinch = null;
      if (!box) return;
      box.remove(); box = null;
      const [a, b] = [start, at(event)].sort((p, q) => p - q);
      if (event.type === 'pointerup' && Math.abs(this.x(b) - this.x(a)) > 4) view.show(a, b);
    };
    this.svg.addEventListener('pointerup', up);
    this.svg.addEventListener('pointercancel', up);
    this.svg.addEventListener('dblclick', () => view.show(0, view.n));
  }
}

class View { // cycles from .. to of a block, shown by all of its charts
  constructor(n) { Object.assign(this, {n, from: 0, to: n, charts: [], asked: 0}); }
  show(from, to) {
    const wide = Math.max(Math.min(LEAST, this.n), Math.min(to - from, this.n));
    this.from = Math.max(0, Math.min(from, this.n - wide)); this.to = this.from + wide;
    if (!this.asked) this.asked = requestAnimationFrame(() => this.draw());
  }
  zoom(by, about = (this.from + this.to) / 2) { this.show(about - (about - this.from) * by, about + (this.to - about) * by); }
  move(part) { const step = part * (this.to - this.from); this.show(this.from + step, this.to + step); }
  draw(all = false) { this.asked = 0; for (const chart of this.charts) chart.update(all); }
}

function liveTrends(group) {
  const view = new View(+group.dataset.n);
  let queue = Promise.resolve(); // one after the other, so that the page stays quick
  const unpack = async figure => {
    const source = figure.querySelector('script.coded'), data = JSON.parse(source.textContent);
    const values = await decoded(data);
    source.remove();
    data.codes = data.escapes = data.medians = '';
    const trend = new Trend(figure, data, values, view);
    figure.trend = trend; trend.draw(); figure.dataset.live = 'yes';
  };
  const seen = new IntersectionObserver(entries => entries.forEach(entry => {
    if (!entry.isIntersecting) return;
    seen.unobserve(entry.target);
    queue = queue.then(() => unpack(entry.target)).catch(() => { entry.target.dataset.live = 'no'; });
  }), {rootMargin: '300px'});
  group.querySelectorAll('figure').forEach(figure => seen.observe(figure));
  group.addEventListener('click', event => {
    const button = event.target.closest('button[data-from]');
    if (button) view.show(+button.dataset.from, +button.dataset.to);
  });
  addEventListener('resize', () => view.show(view.from, view.to));
  let before = null;
  addEventListener('beforeprint', () => { before = [view.from, view.to]; view.from = 0; view.to = view.n; view.draw(true); });
  addEventListener('afterprint', () => { if (before) view.show(...before); });
  group.view = view;
}

function liveLoops(figure) {
  const picture = figure.querySelector('svg'), paths = [...picture.querySelectorAll('.loop')];
  const slider = figure.querySelector('.one'), other = figure.querySelector('.other'), said = figure.querySelector('output');
  const rows = [...figure.querySelectorAll('.twin tbody tr')].map(row => [...row.cells].map(cell => cell.textContent));
  const heads = [...figure.querySelectorAll('.twin thead th')].map(cell => cell.textContent);
  const words = k => `cycle ${(+paths[k].dataset.cycle).toLocaleString('en')}${paths[k].dataset.note ? ` (${paths[k].dataset.note})` : ''}` +
    (rows[k] ? `: ${heads.slice(2, 6).map((head, i) => `${head} ${rows[k][i + 2]}`).join(', ')}` : '');
  const pick = moved => {
    const one = +slider.value, two = other.value === '' ? -1 : +other.value;
    picture.classList.toggle('picked', moved || two >= 0);
    paths.forEach((path, k) => { path.classList.toggle('on', k === one); path.classList.toggle('beside', k === two && k !== one); });
    for (const k of [two, one]) if (k >= 0) picture.append(paths[k]); // on top
    slider.setAttribute('aria-valuetext', words(one).split(':')[0]);
    said.textContent = words(one) + (two >= 0 && two !== one ? `; dashed: ${words(two)}` : '');
  };
  slider.addEventListener('input', () => pick(true));
  other.addEventListener('change', () => pick(true));
  pick(false);
}

document.querySelectorAll('.trends').forEach(liveTrends);
document.querySelectorAll('figure.loops').forEach(liveLoops);
document.addEventListener('click', event => {
  const link = event.target.closest('a[data-cycle]');
  const group = link && document.querySelector(`.trends[data-block="${link.dataset.block}"]`);
  if (group) group.view.show(+link.dataset.cycle - 60, +link.dataset.cycle + 60);
});
document.documentElement.classList.add('live');
