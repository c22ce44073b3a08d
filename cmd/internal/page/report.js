"use strict";
(() => {
  const byId = (id) => document.getElementById(id);
  const viewer = byId("viewer");
  if (!viewer) return;
  const index = JSON.parse(byId("index").textContent);
  const TICK = 1e-4;

  // How the lines look. Colour is never the only difference: lines that share
  // a panel differ in dashes or width too, and each has its name beside it.
  const LOOK = {
    engine_speed: ["#a63d00", 3.4], turbine_speed: ["#0a5fa5", 1.5], output_speed: ["#5a5a3c", 1.4, [6, 4]],
    slip: ["#7a2f83", 1.8], slip_command: ["#00695c", 1.4, [6, 4]], slip_reported: ["#37474f", 1.2, [2, 3]],
    clutch_pressure_command: ["#00695c", 1.5, [7, 4]], clutch_pressure: ["#2e7d32", 1.8],
    vehicle_speed: ["#37474f", 1.8], accelerator: ["#8a5a00", 1.8], clutch_command: ["#00695c", 1.5, [7, 4]],
    acceleration: ["#37474f", 1.4], engine_torque: ["#a63d00", 1.4], fluid_temperature: ["#8c2f16", 1.4],
    supply_voltage: ["#37474f", 1.4], grade: ["#5a5a3c", 1.4],
  };
  const PANELS = [
    { title: "Speeds, rpm", lines: ["engine_speed", "turbine_speed", "output_speed"], height: 210, least: 100 },
    { title: "Slip, rpm", lines: ["slip", "slip_command", "slip_reported"], height: 120, least: 40 },
    { title: "Clutch pressure, kPa", lines: ["clutch_pressure_command", "clutch_pressure"], height: 120, least: 40 },
    { title: "Pedal and clutch duty, %", lines: ["accelerator", "clutch_command"], height: 95, least: 20 },
    { title: "Road speed, km/h", lines: ["vehicle_speed"], height: 95, least: 10 },
    { title: "States", bands: ["clutch_state", "lockup_state", "gear", "shifting", "brake", "driver_mark"] },
    { title: "Acceleration, m/s²", lines: ["acceleration"], height: 95, extra: true },
    { title: "Engine torque, N·m", lines: ["engine_torque"], height: 95, extra: true },
    { title: "Fluid, °C", lines: ["fluid_temperature"], height: 80, extra: true },
    { title: "Grade, %", lines: ["grade"], height: 80, extra: true },
    { title: "Supply, V", lines: ["supply_voltage"], height: 80, extra: true },
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
  const number = (tr, v) => (tr.unit === "rpm" || tr.unit === "kPa" || tr.unit === "N·m" || tr.unit === "%" ? v.toFixed(0) : tr.unit === "" ? String(v) : v.toFixed(tr.unit === "m/s²" ? 2 : 1));

  let at = 0, event = null, plots = [], current = [], range = [0, 1], cursor = 0, fine = false;
  const host = byId("plots");

  function marks(u) {
    const ctx = u.ctx, { top, height, left, width } = u.bbox;
    ctx.save();
    ctx.beginPath(); ctx.rect(left, top, width, height); ctx.clip();
    for (const m of event.instants) {
      const a = u.valToPos(m.early, "x", true), b = u.valToPos(m.late, "x", true), c = u.valToPos(m.at, "x", true);
      ctx.fillStyle = "rgba(217,164,0,.28)";
      ctx.fillRect(a, top, Math.max(b - a, 1), height);
      ctx.strokeStyle = "#8a6800"; ctx.lineWidth = devicePixelRatio; ctx.setLineDash([]);
      ctx.beginPath(); ctx.moveTo(c, top); ctx.lineTo(c, top + height); ctx.stroke();
    }
    ctx.restore();
  }
  function markNames(u) {
    const ctx = u.ctx, { top, left, width } = u.bbox, px = devicePixelRatio;
    ctx.save();
    ctx.font = `${11 * px}px sans-serif`; ctx.fillStyle = "#6b5000"; ctx.textBaseline = "top"; ctx.textAlign = "left";
    event.instants.forEach((m, i) => {
      const c = u.valToPos(m.at, "x", true);
      if (c < left || c > left + width) return;
      const w = ctx.measureText(m.name).width;
      const x = c + w + 6 * px > left + width ? c - w - 4 * px : c + 4 * px;
      ctx.fillText(m.name, x, top + (2 + 13 * (i % 3)) * px);
    });
    ctx.restore();
  }
  // names writes the name of each line at its right-hand end, kept apart.
  function names(u, traces) {
    const ctx = u.ctx, px = devicePixelRatio, { top, height, left, width } = u.bbox;
    const list = [];
    for (const tr of traces) {
      let v = null;
      for (let t = range[1], i = 0; v === null && i < 40; i++) v = valueAt(tr, t - (range[1] - range[0]) * i / 40);
      if (v === null) continue;
      list.push({ y: Math.min(Math.max(u.valToPos(v, "y", true), top + 6 * px), top + height - 4 * px), tr });
    }
    list.sort((a, b) => a.y - b.y);
    for (let i = 1; i < list.length; i++) list[i].y = Math.max(list[i].y, list[i - 1].y + 13 * px);
    const over = list.length ? list[list.length - 1].y - (top + height) : 0;
    if (over > 0) for (const l of list) l.y -= over;
    ctx.save();
    ctx.font = `${11 * px}px sans-serif`; ctx.textBaseline = "middle"; ctx.textAlign = "left";
    for (const l of list) {
      ctx.fillStyle = (LOOK[l.tr.name] ?? ["#37474f"])[0];
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
      ctx.fillStyle = "#37474f"; ctx.textAlign = "left";
      ctx.fillText(tr.label, left + width + 5 * px, y + row / 2);
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
    const tables = list.map((tr) => [tr.t, tr.v]);
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
      const title = document.createElement("h4"); title.textContent = p.title; host.append(title);
      const box = document.createElement("div"); host.append(box);
      const bandsOnly = !!p.bands;
      const axes = [{ values: relative, size: last ? 28 : 6, show: true, ticks: { show: last }, font: "11px sans-serif", stroke: last ? "#414c50" : "transparent", grid: { stroke: "#e3e7e2", width: 1 } },
        { size: 52, show: true, font: "11px sans-serif", stroke: bandsOnly ? "transparent" : "#414c50", grid: { show: !bandsOnly, stroke: "#e3e7e2", width: 1 }, ticks: { show: !bandsOnly } }];
      const series = [{}];
      for (const tr of p.traces) {
        const look = LOOK[tr.name] ?? ["#37474f", 1.4];
        series.push({ label: tr.label, stroke: look[0], width: look[1], dash: look[2], points: { show: false }, spanGaps: false, paths: bandsOnly ? () => null : undefined });
      }
      const u = new uPlot({
        width: host.clientWidth, height: bandsOnly ? p.traces.length * 24 + (last ? 34 : 12) : p.height + (last ? 22 : 0),
        padding: [6, host.clientWidth < 520 ? 104 : 122, 0, 0], legend: { show: false }, axes, series,
        scales: { x: { time: false, range: () => range }, y: { range: bandsOnly ? () => [0, 1] : (u, lo, hi) => spread(lo, hi, p.least ?? 2) } },
        cursor: { drag: { x: true, y: false, setScale: false }, points: { show: !bandsOnly, size: 6 }, y: false },
        hooks: {
          drawClear: [marks],
          draw: [(u) => { if (bandsOnly) bands(u, p.traces); else names(u, p.traces); if (i === 0) markNames(u); }],
          setSelect: [(u) => { if (u.select.width > 4) { const a = u.posToVal(u.select.left, "x"), b = u.posToVal(u.select.left + u.select.width, "x"); u.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false); zoom(a, b); } }],
        },
      }, aligned(p.traces), box);
      plots.push({ u, panel: p });
    });
    place();
  }

  function read() {
    const body = byId("readout").tBodies[0];
    byId("cursor-time").textContent = relative(null, [cursor])[0].replace(" s", "") + " s";
    const rows = current.map((tr) => {
      const v = valueAt(tr, cursor);
      return [tr.label + (tr.derived ? " *" : ""), v === null ? "unknown" : BANDS[tr.name] ? wordOf(tr.name, v) : digits(tr, v) + " " + tr.unit];
    });
    while (body.rows.length > rows.length) body.deleteRow(-1);
    rows.forEach(([a, b], i) => {
      const r = body.rows[i] ?? body.insertRow();
      const c = r.cells[0] ?? r.insertCell(), d = r.cells[1] ?? r.insertCell();
      if (c.textContent !== a) c.textContent = a;
      if (d.textContent !== b) d.textContent = b;
    });
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
    event = e; fine = false; current = list;
    const length = index.stretches[e.stretch].length;
    range = [Math.max(0, e.at - 6), Math.min(length, Math.max(e.end, e.at) + 5)];
    cursor = e.instants.length ? e.instants[0].at : e.at;
    byId("choose").value = String(at);
    byId("event-title").textContent = `Event ${e.n}, ${e.title} · ${e.when}`;
    byId("event-lines").replaceChildren(...e.lines.map((t) => { const li = document.createElement("li"); li.textContent = t; return li; }));
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

  host.addEventListener("keydown", (k) => {
    if (k.ctrlKey || k.altKey || k.metaKey) return;
    const step = (range[1] - range[0]) / (k.shiftKey ? 10 : 100);
    const move = (d) => { cursor = Math.min(Math.max(cursor + d, 0), index.stretches[event.stretch].length); const s = range[1] - range[0]; if (cursor < range[0]) zoom(cursor, cursor + s); else if (cursor > range[1]) zoom(cursor - s, cursor); else place(); };
    const keys = { ArrowLeft: () => move(-step), ArrowRight: () => move(step), "+": () => around(0.5), "=": () => around(0.5), "-": () => around(2), n: () => show(at + 1), p: () => show(at - 1), w: () => zoom(0, Infinity) };
    if (keys[k.key]) { keys[k.key](); k.preventDefault(); }
  });

  host.addEventListener("mousemove", (e) => {
    if (!e.target.closest(".u-over")) return;
    cursor = Math.min(Math.max(timeOf(e.clientX), range[0]), range[1]);
    place();
  });
  host.addEventListener("mouseleave", place);

  // Touch: one finger moves the cursor, two zoom and shift.
  let fingers = new Map(), pinch = null;
  const timeOf = (x) => plots[0].u.posToVal(x - plots[0].u.over.getBoundingClientRect().left, "x");
  host.addEventListener("pointerdown", (e) => {
    if (e.pointerType !== "touch" || !plots.length) return;
    fingers.set(e.pointerId, e.clientX);
    if (fingers.size === 1) { cursor = Math.min(Math.max(timeOf(e.clientX), range[0]), range[1]); place(); }
    if (fingers.size === 2) { const [a, b] = [...fingers.values()].map(timeOf).sort((x, y) => x - y); pinch = { a, b }; }
  });
  host.addEventListener("pointermove", (e) => {
    if (!fingers.has(e.pointerId)) return;
    fingers.set(e.pointerId, e.clientX);
    if (fingers.size === 1) { cursor = Math.min(Math.max(timeOf(e.clientX), range[0]), range[1]); place(); return; }
    if (fingers.size !== 2 || !pinch) return;
    const box = plots[0].u.over.getBoundingClientRect();
    const [x, y] = [...fingers.values()].map((v) => v - box.left).sort((p, q) => p - q);
    if (y - x < 20) return;
    const scale = (pinch.b - pinch.a) / (y - x);
    const a = pinch.a - x * scale;
    zoom(a, a + box.width * scale);
  });
  for (const kind of ["pointerup", "pointercancel"]) host.addEventListener(kind, (e) => { fingers.delete(e.pointerId); if (fingers.size < 2) pinch = null; });

  document.addEventListener("click", (c) => {
    const a = c.target.closest("a[href^='#event-']");
    if (!a) return;
    const i = index.events.findIndex((e) => "#event-" + e.n === a.getAttribute("href"));
    if (i < 0) return;
    c.preventDefault();
    history.replaceState(null, "", "#event-" + index.events[i].n);
    show(i, true);
  });
  let wide = 0;
  new ResizeObserver(() => { if (event && host.clientWidth !== wide) { wide = host.clientWidth; for (const { u } of plots) u.setSize({ width: wide, height: u.height }); place(); } }).observe(host);
  const wanted = index.events.findIndex((e) => "#event-" + e.n === location.hash);
  show(Math.max(wanted, 0), wanted >= 0).then(() => performance.mark("drawn"));
})();
