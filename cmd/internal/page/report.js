"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const viewer = byId("viewer");

  // Units: what is stored is metric; what US customary readers see is worked
  // out here as storage/review does it. The choice is remembered where the
  // browser lets a page from a file do so.
  const CUSTOMARY = { "km/h": ["mph", 1 / 1.609344, 0], kPa: ["psi", 1 / 6.894757, 0], "°C": ["°F", 1.8, 32], "N·m": ["lbf·ft", 1 / 1.355818, 0] };
  const root = document.documentElement;
  const stored = (v) => { try { if (v) localStorage.setItem("units", v); return localStorage.getItem("units"); } catch { return null; } };
  const us = () => root.dataset.units === "us";
  const unitOf = (u) => (us() && CUSTOMARY[u] ? CUSTOMARY[u][0] : u);
  let redraw = () => {};
  if (stored()) root.dataset.units = stored();
  byId("units").hidden = false;
  byId("units").addEventListener("click", () => { root.dataset.units = us() ? "metric" : "us"; stored(root.dataset.units); redraw(); });
  const inUnits = (v, u) => (us() && CUSTOMARY[u] && v !== null ? v * CUSTOMARY[u][1] + CUSTOMARY[u][2] : v);

  if (!viewer) return;
  const index = JSON.parse(byId("index").textContent);
  const TICK = 1e-4;

  // How the lines look: the colours are the style sheet's, which has them for
  // light and dark. Colour is never the only difference: lines that share a
  // panel differ in dashes or width too, and each has its name beside it.
  const css = (name) => getComputedStyle(root).getPropertyValue("--" + name).trim();
  const SHAPE = {
    engine_speed: ["engine", 3.4], turbine_speed: ["turbine", 1.5], output_speed: ["output", 1.4, [6, 4]],
    slip: ["slip", 1.8], slip_command: ["asked", 1.4, [6, 4]], slip_reported: ["road", 1.2, [2, 3]],
    clutch_pressure_command: ["asked", 1.5, [7, 4]], clutch_pressure: ["pressure", 1.8],
    vehicle_speed: ["road", 1.8], accelerator: ["pedal", 1.8], clutch_command: ["asked", 1.5, [7, 4]],
    acceleration: ["road", 1.4], engine_torque: ["engine", 1.4], fluid_temperature: ["warn", 1.4],
    supply_voltage: ["road", 1.4], grade: ["output", 1.4],
  };
  const look = (name) => { const [colour, width, dash] = SHAPE[name] ?? ["road", 1.4]; return [css(colour), width, dash]; };
  const PANELS = [
    { title: "Speeds", unit: "rpm", lines: ["engine_speed", "turbine_speed", "output_speed"], height: 210, least: 100 },
    { title: "Slip", unit: "rpm", lines: ["slip", "slip_command", "slip_reported"], height: 120, least: 40 },
    { title: "Clutch pressure", unit: "kPa", lines: ["clutch_pressure_command", "clutch_pressure"], height: 120, least: 40 },
    { title: "Pedal and clutch duty", unit: "%", lines: ["accelerator", "clutch_command"], height: 95, least: 20 },
    { title: "Road speed", unit: "km/h", lines: ["vehicle_speed"], height: 95, least: 10 },
    { title: "States", bands: ["clutch_state", "lockup_state", "gear", "shifting", "brake", "driver_mark"] },
    { title: "Acceleration", unit: "m/s²", lines: ["acceleration"], height: 95, extra: true },
    { title: "Engine torque", unit: "N·m", lines: ["engine_torque"], height: 95, extra: true },
    { title: "Fluid", unit: "°C", lines: ["fluid_temperature"], height: 80, extra: true },
    { title: "Grade", unit: "%", lines: ["grade"], height: 80, extra: true },
    { title: "Supply", unit: "V", lines: ["supply_voltage"], height: 80, extra: true },
  ];
  const LOCKUP = { 0: "open", 1: "partial", 2: "closed" };
  const CLUTCH = { 0: "unknown", 1: "open", 2: "partial", 3: "closed", 4: "coast" };
  const onOff = (v) => (v ? "on" : "off");
  const gear = (v) => ({ "-2": "P", "-1": "R", 0: "N", 99: "…" })[v] ?? String(v);
  const BANDS = {
    clutch_state: { word: (v) => CLUTCH[v] ?? String(v), fill: (v) => ["#ffffff", "#f3e3c3", "#86b6d8", "#12476f", "#cdbf9b"][v], dark: (v) => v === 3 },
    lockup_state: { word: (v) => LOCKUP[v] ?? String(v), fill: (v) => ["#f3e3c3", "#86b6d8", "#12476f"][v], dark: (v) => v === 2 },
    gear: { word: gear, fill: (v) => (v % 2 ? "#e4ede9" : "#c3d5cc") },
    shifting: { word: (v) => (v ? "shift" : ""), fill: (v) => (v ? "#d9c7de" : null) },
    brake: { word: (v) => (v ? "brake" : ""), fill: (v) => (v ? "#e9bcae" : null) },
    driver_mark: { word: (v) => (v ? "mark" : ""), fill: (v) => (v ? "#d9a400" : null) },
  };
  const wordOf = (name, v) => (name === "gear" ? gear(v) : name === "brake" || name === "shifting" || name === "driver_mark" ? onOff(v) : BANDS[name].word(v));

  // Traces: base64 of a zlib stream of varints; see the page package.
  async function inflate(id) {
    const node = byId(id);
    if (!node) return null;
    const text = atob(node.textContent);
    const bytes = Uint8Array.from(text, (c) => c.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("deflate"));
    return new Uint8Array(await new Response(stream).arrayBuffer());
  }
  function unpack(bytes, lines) {
    let p = 0;
    const varint = () => {
      let v = 0, m = 1, b;
      do { b = bytes[p++]; v += (b & 127) * m; m *= 128; } while (b & 128);
      return v;
    };
    return lines.map((line) => {
      const n = varint(), t = new Float64Array(n), v = new Array(n);
      let last = 0;
      for (let i = 0; i < n; i++) { last += varint(); t[i] = last * TICK; }
      let q = 0;
      for (let i = 0; i < n; i++) {
        const z = varint();
        if (z === 0) { v[i] = null; continue; }
        const d = z - 1;
        q += d % 2 ? -(d + 1) / 2 : d / 2;
        v[i] = q * line.quantum + line.offset;
      }
      return { ...line, t, v };
    });
  }
  const kept = new Map();
  async function traces(stretch, full) {
    const key = (full ? "full-" : "reduced-") + stretch;
    if (!kept.has(key)) {
      const bytes = await inflate(key);
      if (!bytes) return null;
      if (kept.size > 24) kept.delete(kept.keys().next().value);
      kept.set(key, unpack(bytes, index.stretches[stretch].lines));
    }
    return kept.get(key);
  }

  // valueAt returns the value of a trace at t: held for steps, else
  // interpolated; null where unknown.
  function valueAt(tr, t) {
    const a = tr.t;
    let lo = 0, hi = a.length;
    while (lo < hi) { const m = (lo + hi) >> 1; if (a[m] <= t) lo = m + 1; else hi = m; }
    if (lo === 0) return null;
    const v = tr.v[lo - 1];
    if (v === null) return null;
    if (tr.step) return v;
    if (lo === a.length) return t - a[lo - 1] < 1e-3 ? v : null;
    const w = tr.v[lo];
    if (w === null) return v;
    return v + (w - v) * (t - a[lo - 1]) / (a[lo] - a[lo - 1] || 1);
  }
  const digits = (tr, v) => number(tr, v).replace(/^-(0(\.0*)?)$/, "$1").replace("-", "−");
  const number = (tr, v) => (["rpm", "kPa", "N·m", "lbf·ft", "%"].includes(unitOf(tr.unit)) ? v.toFixed(0) : tr.unit === "" ? String(v) : v.toFixed(tr.unit === "m/s²" ? 2 : 1));

  let at = 0, event = null, plots = [], current = [], range = [0, 1], cursor = 0, pin = null, fine = false;
  const host = byId("plots");

  function marks(u, first) {
    const ctx = u.ctx, { top, height, left, width } = u.bbox;
    ctx.save();
    ctx.beginPath(); ctx.rect(left, top, width, height); ctx.clip();
    if (event.usual) {
      const a = u.valToPos(event.usual.from, "x", true), b = u.valToPos(event.usual.to, "x", true);
      ctx.save(); ctx.beginPath(); ctx.rect(a, top, Math.max(b - a, 1), height); ctx.clip();
      ctx.strokeStyle = css("soft"); ctx.globalAlpha = 0.35; ctx.lineWidth = devicePixelRatio;
      for (let x = a - height; x < b; x += 7 * devicePixelRatio) { ctx.beginPath(); ctx.moveTo(x, top + height); ctx.lineTo(x + height, top); ctx.stroke(); }
      ctx.restore();
    }
    if (first && event.usual_rpm) {
      const a = u.valToPos(event.usual_rpm.from, "y", true), b = u.valToPos(event.usual_rpm.to, "y", true);
      ctx.save(); ctx.fillStyle = css("soft"); ctx.globalAlpha = 0.22; ctx.fillRect(left, b, width, Math.max(a - b, 2 * devicePixelRatio)); ctx.restore();
    }
    const rules = [[event.limit && event.limit.from, css("warn"), [7, 4], 1.8], [pin, css("ink"), [2, 3], 1.4]];
    for (const [t, colour, dash, w] of rules) {
      if (t === null || t === undefined) continue;
      const x = u.valToPos(t, "x", true);
      ctx.strokeStyle = colour; ctx.lineWidth = w * devicePixelRatio; ctx.setLineDash(dash.map((d) => d * devicePixelRatio));
      ctx.beginPath(); ctx.moveTo(x, top); ctx.lineTo(x, top + height); ctx.stroke();
    }
    for (const m of event.instants) {
      const a = u.valToPos(m.early, "x", true), b = u.valToPos(m.late, "x", true), c = u.valToPos(m.at, "x", true);
      ctx.fillStyle = "rgba(217,164,0,.28)";
      ctx.fillRect(a, top, Math.max(b - a, 1), height);
      ctx.strokeStyle = css("mark"); ctx.lineWidth = devicePixelRatio; ctx.setLineDash([]);
      ctx.beginPath(); ctx.moveTo(c, top); ctx.lineTo(c, top + height); ctx.stroke();
    }
    ctx.restore();
  }
  function markNames(u) {
    const ctx = u.ctx, { top, left, width } = u.bbox, px = devicePixelRatio;
    ctx.save();
    ctx.font = `${11 * px}px sans-serif`; ctx.fillStyle = css("mark"); ctx.textBaseline = "top"; ctx.textAlign = "left";
    ctx.strokeStyle = css("card"); ctx.lineWidth = 4 * px; ctx.lineJoin = "round";
    const write = (text, x, y) => { ctx.strokeText(text, x, y); ctx.fillText(text, x, y); };
    const named = event.instants.map((m) => [m.at, m.name]);
    if (event.limit) named.push([event.limit.from, event.limit.name]);
    if (event.usual) named.push([event.usual.to, event.usual.name]);
    // Each stands in the first row in which it covers no other.
    const ends = [];
    named.sort((a, b) => a[0] - b[0]);
    named.forEach(([t, name]) => {
      const c = u.valToPos(t, "x", true);
      if (c < left || c > left + width) return;
      const w = ctx.measureText(name).width;
      const x = c + w + 6 * px > left + width ? c - w - 4 * px : c + 4 * px;
      let row = 0;
      while (ends[row] > x) row++;
      ends[row] = x + w + 6 * px;
      write(name, x, top + (2 + 13 * row) * px);
    });
    if (event.usual_rpm) write(event.usual_rpm.name, left + 4 * px, u.valToPos(event.usual_rpm.from, "y", true) + 3 * px);
    ctx.restore();
  }
  // narrow screens have the names above the panels, others beside the lines.
  const narrow = () => host.clientWidth < 620;
  // names writes the name of each line at its right-hand end, kept apart.
  function names(u, traces) {
    if (narrow()) return;
    const ctx = u.ctx, px = devicePixelRatio, { top, height, left, width } = u.bbox;
    const list = [];
    for (const tr of traces) {
      let v = null;
      for (let t = range[1], i = 0; v === null && i < 40; i++) v = valueAt(tr, t - (range[1] - range[0]) * i / 40);
      if (v === null) continue;
      list.push({ y: Math.min(Math.max(u.valToPos(inUnits(v, tr.unit), "y", true), top + 6 * px), top + height - 4 * px), tr });
    }
    list.sort((a, b) => a.y - b.y);
    for (let i = 1; i < list.length; i++) list[i].y = Math.max(list[i].y, list[i - 1].y + 13 * px);
    const over = list.length ? list[list.length - 1].y - (top + height) : 0;
    if (over > 0) for (const l of list) l.y -= over;
    ctx.save();
    ctx.font = `${11 * px}px sans-serif`; ctx.textBaseline = "middle"; ctx.textAlign = "left";
    for (const l of list) {
      ctx.fillStyle = look(l.tr.name)[0];
      ctx.fillText(l.tr.label + (l.tr.derived ? " *" : ""), left + width + 5 * px, l.y);
    }
    ctx.restore();
  }
  function bands(u, list) {
    const ctx = u.ctx, px = devicePixelRatio, { top, height, left, width } = u.bbox;
    const row = height / list.length;
    ctx.save();
    ctx.font = `${11 * px}px sans-serif`; ctx.textBaseline = "middle";
    list.forEach((tr, r) => {
      const b = BANDS[tr.name], y = top + r * row;
      ctx.fillStyle = css("ink"); ctx.textAlign = "left";
      if (!narrow()) ctx.fillText(tr.label, left + width + 5 * px, y + row / 2);
      ctx.save();
      ctx.beginPath(); ctx.rect(left, top, width, height); ctx.clip();
      for (let i = 0; i < tr.t.length; i++) {
        if (tr.v[i] === null) continue;
        let j = i + 1;
        while (j < tr.t.length && tr.v[j] === tr.v[i]) j++;
        const x0 = u.valToPos(tr.t[i], "x", true), x1 = u.valToPos(j < tr.t.length ? tr.t[j] : tr.t[j - 1], "x", true);
        const v = tr.v[i], fill = b.fill(v);
        i = j - 1;
        if (x1 < left || x0 > left + width || !fill) continue;
        ctx.fillStyle = fill; ctx.fillRect(x0, y + 2 * px, Math.max(x1 - x0, 1), row - 4 * px);
        ctx.strokeStyle = "#6b7672"; ctx.lineWidth = 0.6 * px; ctx.strokeRect(x0, y + 2 * px, Math.max(x1 - x0, 1), row - 4 * px);
        const word = b.word(v), a = Math.max(x0, left), e = Math.min(x1, left + width);
        if (word && e - a > ctx.measureText(word).width + 6 * px) {
          ctx.fillStyle = b.dark && b.dark(v) ? "#fff" : "#1c2326"; ctx.textAlign = "center";
          ctx.fillText(word, (a + e) / 2, y + row / 2);
        }
      }
      ctx.restore();
    });
    ctx.restore();
  }

  // aligned puts traces with their own times on one axis: undefined joins
  // over, null breaks the line.
  function aligned(list) {
    const tables = list.map((tr) => [tr.t, us() && CUSTOMARY[tr.unit] ? tr.v.map((v) => inUnits(v, tr.unit)) : tr.v]);
    if (tables.length === 1) return [tables[0][0], tables[0][1]];
    return uPlot.join(tables, tables.map(() => [0, 2]));
  }
  // spread keeps noise from filling a panel: no less than so much is shown.
  const spread = (lo, hi, least) => {
    if (lo === null || hi === null) return [0, least];
    const more = Math.max((hi - lo) * 0.06, (least - (hi - lo)) / 2);
    return [lo >= 0 && lo - more < 0 ? 0 : lo - more, hi + more];
  };
  const relative = (u, ticks) => ticks.map((t) => {
    const d = t - event.at;
    return (d > 1e-9 ? "+" : d < -1e-9 ? "−" : "") + Math.abs(d).toFixed(range[1] - range[0] < 2 ? 2 : range[1] - range[0] < 10 ? 1 : 0) + " s";
  });
  function draw() {
    for (const p of plots) p.u.destroy();
    plots = []; host.textContent = "";
    const all = byId("rest").checked;
    const shown = PANELS.map((p) => ({ ...p, traces: (p.lines ?? p.bands).map((n) => current.find((x) => x.name === n)).filter((x) => x && x.t.length) }))
      .filter((p) => p.traces.length && (all || !p.extra));
    shown.forEach((p, i) => {
      const last = i === shown.length - 1;
      const title = document.createElement("h4"); title.textContent = p.title + (p.unit ? ", " + unitOf(p.unit) : ""); host.append(title);
      if (narrow()) title.append(...p.traces.map((tr) => { const k = document.createElement("span"); k.textContent = tr.label + (tr.derived ? " *" : ""); k.className = "key " + tr.name; k.style.color = p.bands ? "" : look(tr.name)[0]; return k; }));
      const box = document.createElement("div"); host.append(box);
      const bandsOnly = !!p.bands;
      const axes = [{ values: relative, size: last ? 28 : 6, show: true, ticks: { show: last }, font: "11px sans-serif", stroke: last ? css("soft") : "transparent", grid: { stroke: css("grid"), width: 1 } },
        { size: 52, show: true, font: "11px sans-serif", stroke: bandsOnly ? "transparent" : css("soft"), grid: { show: !bandsOnly, stroke: css("grid"), width: 1 }, ticks: { show: !bandsOnly } }];
      const series = [{}];
      for (const tr of p.traces) {
        const [stroke, width, dash] = look(tr.name);
        series.push({ label: tr.label, stroke, width, dash, points: { show: false }, spanGaps: false, paths: bandsOnly ? () => null : undefined });
      }
      const u = new uPlot({
        width: host.clientWidth, height: bandsOnly ? p.traces.length * 24 + (last ? 34 : 12) : p.height + (last ? 22 : 0),
        padding: [6, narrow() ? 8 : 122, 0, 0], legend: { show: false }, axes, series,
        scales: { x: { time: false, range: () => range }, y: { range: bandsOnly ? () => [0, 1] : (u, lo, hi) => spread(lo, hi, p.least ?? 2) } },
        cursor: { drag: { x: false, y: false, setScale: false }, points: { show: !bandsOnly, size: 6 }, y: false },
        hooks: {
          drawClear: [(u) => marks(u, i === 0)],
          draw: [(u) => { if (bandsOnly) bands(u, p.traces); else names(u, p.traces); if (i === 0) markNames(u); }],
        },
      }, aligned(p.traces), box);
      plots.push({ u, panel: p });
    });
    place();
  }

  // shownValue writes what a trace is at t; less is what it was at the pin.
  function shownValue(tr, t, less) {
    const v = valueAt(tr, t);
    if (v === null) return "unknown";
    if (BANDS[tr.name]) return wordOf(tr.name, v);
    const x = inUnits(v, tr.unit);
    let text = digits(tr, x) + " " + unitOf(tr.unit);
    const w = less === null ? null : valueAt(tr, less);
    if (w !== null) { const d = x - inUnits(w, tr.unit); text += ` (${d > 0 ? "+" : ""}${digits(tr, d)})`; }
    return text;
  }
  function read() {
    const body = byId("readout").tBodies[0];
    const d = cursor - event.at;
    byId("cursor-time").textContent = `${d < 0 ? "−" : "+"}${Math.abs(d).toFixed(2)} s` + (pin === null ? "" : `; ${(cursor - pin).toFixed(3).replace("-", "−")} s from the pin`);
    const rows = current.map((tr) => [tr.label + (tr.derived ? " *" : ""), shownValue(tr, cursor, pin)]);
    while (body.rows.length > rows.length) body.deleteRow(-1);
    rows.forEach(([a, b], i) => {
      const r = body.rows[i] ?? body.insertRow();
      const c = r.cells[0] ?? r.insertCell(), d = r.cells[1] ?? r.insertCell();
      if (c.textContent !== a) c.textContent = a;
      if (d.textContent !== b) d.textContent = b;
    });
  }
  // setPin sets the second cursor to the first, or takes it away.
  function setPin() {
    pin = pin === null ? cursor : null;
    byId("pin").textContent = pin === null ? "Measure from here" : "Measure no more";
    for (const { u } of plots) u.redraw();
    read();
  }
  // place sets the cursor of every plot to the current instant.
  function place() {
    for (const { u } of plots) u.setCursor({ left: u.valToPos(cursor, "x"), top: 10 }, false);
    read();
  }
  function zoom(a, b) {
    const length = index.stretches[event.stretch].length;
    const span = Math.min(Math.max(b - a, 0.1), length);
    a = Math.min(Math.max(a, 0), length - span);
    range = [a, a + span];
    cursor = Math.min(Math.max(cursor, range[0]), range[1]);
    for (const { u } of plots) u.setScale("x", { min: range[0], max: range[1] });
    place();
    sharpen();
  }
  const around = (f) => { const c = cursor >= range[0] && cursor <= range[1] ? cursor : (range[0] + range[1]) / 2; zoom(c - (c - range[0]) * f, c + (range[1] - c) * f); };

  // sharpen puts the full traces in place of the reduced ones once a closer
  // look asks for them.
  async function sharpen() {
    const note = byId("resolution");
    if (fine || range[1] - range[0] > 12) { note.textContent = fine ? "Full traces." : "Reduced traces: zoom in for full ones."; return; }
    const e = event, full = await traces(e.stretch, true);
    if (e !== event || fine) return;
    if (!full) { note.textContent = "Reduced traces: the full ones of this event are not in the page."; return; }
    fine = true; current = full; note.textContent = "Full traces.";
    draw();
  }

  async function show(i, scroll) {
    if (!index.events.length) return;
    at = (i + index.events.length) % index.events.length;
    const e = index.events[at];
    const list = await traces(e.stretch, false);
    if (e !== index.events[at] || !list) return;
    event = e; fine = false; current = list; pin = null; byId("pin").textContent = "Measure from here";
    const length = index.stretches[e.stretch].length;
    range = [Math.max(0, e.at - 6), Math.min(length, Math.max(e.end, e.at) + 5)];
    cursor = e.instants.length ? e.instants[0].at : e.at;
    byId("choose").value = String(at);
    byId("event-title").textContent = `Event ${e.n}: ${e.title} · ${e.when}`;
    byId("event-lines").replaceChildren(...e.lines[us() ? 1 : 0].map((t) => { const li = document.createElement("li"); li.textContent = t; return li; }));
    for (const w of document.querySelectorAll(".why")) w.hidden = w.id !== "why-" + e.n;
    draw();
    sharpen();
    if (scroll) byId("traces").scrollIntoView();
  }

  viewer.hidden = false;
  const choose = byId("choose");
  index.events.forEach((e, i) => choose.add(new Option(`${e.n}: ${e.title}`, String(i))));
  choose.addEventListener("change", () => show(Number(choose.value)));
  byId("next").addEventListener("click", () => show(at + 1));
  byId("previous").addEventListener("click", () => show(at - 1));
  byId("in").addEventListener("click", () => around(0.5));
  byId("out").addEventListener("click", () => around(2));
  byId("whole").addEventListener("click", () => zoom(0, Infinity));
  byId("rest").addEventListener("change", draw);

  const length = () => index.stretches[event.stretch].length;
  const move = (d) => {
    cursor = Math.min(Math.max(cursor + d, 0), length());
    const s = range[1] - range[0];
    if (cursor < range[0]) zoom(cursor, cursor + s); else if (cursor > range[1]) zoom(cursor - s, cursor); else place();
  };
  // Keys work wherever the focus is, but where they are text or choose.
  document.addEventListener("keydown", (k) => {
    if (!event || k.ctrlKey || k.altKey || k.metaKey || k.target.closest("input,select,textarea")) return;
    const step = (range[1] - range[0]) / (k.shiftKey ? 10 : 100);
    const keys = { ArrowLeft: () => move(-step), ArrowRight: () => move(step), "+": () => around(0.5), "=": () => around(0.5), "-": () => around(2), n: () => show(at + 1), p: () => show(at - 1), w: () => zoom(0, Infinity), m: setPin };
    if (keys[k.key]) { keys[k.key](); k.preventDefault(); }
  });

  const timeOf = (x) => plots[0].u.posToVal(x - plots[0].u.over.getBoundingClientRect().left, "x");
  const hover = (x) => { cursor = Math.min(Math.max(timeOf(x), range[0]), range[1]); place(); };
  host.addEventListener("wheel", (e) => {
    if (!e.target.closest(".u-over") || !e.deltaY) return;
    e.preventDefault();
    hover(e.clientX);
    around(e.deltaY > 0 ? 1.25 : 0.8);
  }, { passive: false });

  // Pointers: without a button the mouse moves the cursor, with one it drags
  // the traces; one finger moves the cursor, two zoom and shift.
  const down = new Map();
  let held = null; // the times under the pointers when they came down
  host.addEventListener("pointerdown", (e) => {
    if (!e.target.closest(".u-over") || e.button > 0) return;
    down.set(e.pointerId, e.clientX);
    if (e.pointerType !== "touch") host.setPointerCapture(e.pointerId);
    held = [...down.values()].map(timeOf).sort((x, y) => x - y);
    if (e.pointerType === "touch" && down.size === 1) hover(e.clientX);
  });
  host.addEventListener("pointermove", (e) => {
    if (!down.has(e.pointerId)) { if (e.pointerType === "mouse" && e.target.closest(".u-over")) hover(e.clientX); return; }
    down.set(e.pointerId, e.clientX);
    if (e.pointerType === "touch" && down.size === 1) { hover(e.clientX); return; }
    const box = plots[0].u.over.getBoundingClientRect();
    const x = [...down.values()].map((v) => v - box.left).sort((p, q) => p - q);
    const scale = down.size === 1 ? (range[1] - range[0]) / box.width : (held[1] - held[0]) / (x[1] - x[0]);
    if (down.size > 2 || !(scale > 0) || (down.size === 2 && x[1] - x[0] < 20)) return;
    const a = held[0] - x[0] * scale;
    zoom(a, a + box.width * scale);
  });
  for (const kind of ["pointerup", "pointercancel"]) host.addEventListener(kind, (e) => { down.delete(e.pointerId); held = down.size ? [...down.values()].map(timeOf) : null; });

  // Pictures of what is shown. The SVG is drawn anew from the traces; the PNG
  // is what the screen has.
  const esc = (t) => t.replace(/[&<>"]/g, (c) => ({ "&": "&amp;", "<": "&lt;", ">": "&gt;", '"': "&quot;" })[c]);
  function svgText() {
    const W = 960, left = 60, right = 820, out = [];
    let y = 64;
    const px = (t) => left + (t - range[0]) / (range[1] - range[0]) * (right - left);
    const text = (x, yy, size, anchor, t, fill = "#1c2326") => out.push(`<text x="${x.toFixed(1)}" y="${yy.toFixed(1)}" font-size="${size}" text-anchor="${anchor}" fill="${fill}">${esc(t)}</text>`);
    text(left, 26, 18, "start", byId("event-title").textContent);
    text(left, 46, 12, "start", document.querySelector("h1").textContent);
    for (const { u, panel } of plots) {
      if (panel.bands) continue;
      const h = panel.height, lo = u.scales.y.min, hi = u.scales.y.max, py = (v) => y + h - (v - lo) / (hi - lo || 1) * h;
      text(left, y - 5, 12, "start", panel.title + ", " + unitOf(panel.unit));
      for (let i = 0; i <= 4; i++) {
        const v = lo + (hi - lo) * i / 4;
        out.push(`<line x1="${left}" y1="${py(v).toFixed(1)}" x2="${right}" y2="${py(v).toFixed(1)}" stroke="#e3e7e2"/>`);
        text(left - 6, py(v) + 4, 11, "end", v.toFixed(Math.abs(hi - lo) < 10 ? 1 : 0));
      }
      const inside = (t) => Math.min(Math.max(px(t), left), right);
      for (const m of event.instants) out.push(`<rect x="${inside(m.early).toFixed(1)}" y="${y}" width="${Math.max(inside(m.late) - inside(m.early), 1).toFixed(1)}" height="${h}" fill="#d9a400" fill-opacity="0.3"/>`);
      if (event.limit) out.push(`<line x1="${inside(event.limit.from).toFixed(1)}" y1="${y}" x2="${inside(event.limit.from).toFixed(1)}" y2="${y + h}" stroke="#8c2f16" stroke-width="1.8" stroke-dasharray="7 4"/>`);
      panel.traces.forEach((tr, i) => {
        let d = "", pen = false;
        tr.t.forEach((t, j) => {
          if (t < range[0] || t > range[1] || tr.v[j] === null) { pen = false; return; }
          d += `${pen ? "L" : "M"}${px(t).toFixed(1)} ${py(inUnits(tr.v[j], tr.unit)).toFixed(1)}`; pen = true;
        });
        const [c, w, dash] = look(tr.name);
        out.push(`<path d="${d}" fill="none" stroke="${c}" stroke-width="${w}"${dash ? ` stroke-dasharray="${dash.join(" ")}"` : ""}/>`);
        text(right + 6, y + 12 + 14 * i, 12, "start", tr.label, c);
      });
      y += h + 26;
    }
    relative(null, [range[0], range[1]]).forEach((t, i) => text(i ? right : left, y, 11, i ? "end" : "start", t));
    text(left, y + 24, 11, "start", "Consistent with a cause, never a verdict on a part.");
    return `<svg xmlns="http://www.w3.org/2000/svg" width="${W}" height="${y + 36}" viewBox="0 0 ${W} ${y + 36}" font-family="DejaVu Sans, Verdana, sans-serif"><rect width="100%" height="100%" fill="#fff"/>${out.join("")}</svg>`;
  }
  function pngOf(done) {
    const px = devicePixelRatio, gap = 22 * px, list = plots.map((p) => p.u.ctx.canvas);
    const c = document.createElement("canvas");
    c.width = Math.max(...list.map((x) => x.width)); c.height = list.reduce((h, x) => h + x.height + gap, 60 * px);
    const g = c.getContext("2d");
    g.fillStyle = css("card"); g.fillRect(0, 0, c.width, c.height);
    g.fillStyle = css("ink"); g.font = `bold ${15 * px}px sans-serif`; g.fillText(byId("event-title").textContent, 10 * px, 22 * px);
    let y = 34 * px;
    plots.forEach((p, i) => { g.font = `bold ${12 * px}px sans-serif`; g.fillText(p.panel.title + (p.panel.unit ? ", " + unitOf(p.panel.unit) : ""), 10 * px, y + 14 * px); g.drawImage(list[i], 0, y + gap); y += list[i].height + gap; });
    g.font = `${11 * px}px sans-serif`; g.fillText("Consistent with a cause, never a verdict on a part.", 10 * px, y + 14 * px);
    c.toBlob(done, "image/png");
  }
  function save(blob, ending) {
    const a = document.createElement("a");
    a.href = URL.createObjectURL(blob); a.download = `event-${event.n}.${ending}`;
    a.click();
    setTimeout(() => URL.revokeObjectURL(a.href), 10000);
  }
  byId("svg").addEventListener("click", () => save(new Blob([svgText()], { type: "image/svg+xml" }), "svg"));
  byId("png").addEventListener("click", () => pngOf((b) => save(b, "png")));
  byId("pin").addEventListener("click", setPin);

  document.addEventListener("click", (c) => {
    const a = c.target.closest("a[href^='#event-']");
    if (!a) return;
    const i = index.events.findIndex((e) => "#event-" + e.n === a.getAttribute("href"));
    if (i < 0) return;
    c.preventDefault();
    history.replaceState(null, "", "#event-" + index.events[i].n);
    const t = a.dataset.at;
    if (t === undefined) { show(i, true); return; }
    const goTo = () => { cursor = Number(t); zoom(cursor - 2.5, cursor + 2.5); host.scrollIntoView({ block: "nearest" }); host.focus({ preventScroll: true }); };
    if (event === index.events[i]) goTo(); else show(i).then(goTo);
  });
  redraw = () => { byId("event-lines").replaceChildren(...event.lines[us() ? 1 : 0].map((t) => { const li = document.createElement("li"); li.textContent = t; return li; })); draw(); };
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => event && draw());
  let wide = 0;
  new ResizeObserver(() => { if (event && host.clientWidth !== wide) { wide = host.clientWidth; draw(); } }).observe(host);
  const wanted = index.events.findIndex((e) => "#event-" + e.n === location.hash);
  show(Math.max(wanted, 0), wanted >= 0).then(() => performance.mark("drawn"));
})();
