"use strict";
// Draws what the page program sends. Text reaches the document as text only, never as markup.

const SVG = "http://www.w3.org/2000/svg";
// The page program sends something at least every two seconds.
const PROGRAM_SILENT_MS = 6000;
const NO_PICTURE_MS = 3500;
const RETRY_MS = 1000;
const MAX_MARKS = 40;
const CELLS = 4;
// A board that is turned less than this faces the camera.
const TILTED_DEG = 15;
const SIDES = ["to the right", "down", "to the left", "up"];
const LOST_PROGRAM = {
  headline: "LOST",
  remedy: "Check that the page program (eyebolt page) runs on the cell's PC, and the network.",
  message: "This page has lost its connection. The values below are out of date.",
  tone: "bad",
};
const TONES = { good: "good", act: "act", wait: "wait", bad: "bad", plain: "act", quiet: "wait" };
// Headlines of the same urgency as others, at which nothing is to be done.
const WAITING = ["HOLD", "WAIT"];
// Text beside a picture that changes ten times a second is read, by eye and by a screen reader, at this pace.
const TEXT_EVERY_MS = 500;

const id = (name) => document.getElementById(name);
const setText = (name, text) => {
  const element = id(name);
  if (element.textContent !== text) element.textContent = text;
};
const show = (name, visible) => { id(name).hidden = !visible; };
const mm = (value, digits = 2) => (value === null || value === undefined ? "not known" : `${value.toFixed(digits)} mm`);
const count = (number, one, more = `${one}s`) => `${number} ${number === 1 ? one : more}`;
const sentence = (text) => {
  const trimmed = text.trim();
  return trimmed ? trimmed[0].toUpperCase() + trimmed.slice(1) + (/[.!?]$/.test(trimmed) ? "" : ".") : "";
};

function draw(parent, kind, attributes = {}, text = null) {
  const element = document.createElementNS(SVG, kind);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  if (text !== null) element.textContent = text;
  parent.append(element);
  return element;
}

function sign(name) {
  const svg = document.createElementNS(SVG, "svg");
  svg.setAttribute("aria-hidden", "true");
  draw(svg, "use", { href: `#sign-${name}` });
  return svg;
}

function element(kind, text, attributes = {}) {
  const made = document.createElement(kind);
  made.textContent = text;
  for (const [name, value] of Object.entries(attributes)) made.setAttribute(name, value);
  return made;
}

function fillList(name, rows) {
  id(name).replaceChildren(...rows.flatMap(([term, value]) => [element("dt", term), element("dd", value)]));
}

// --- the state ----------------------------------------------------------------------------------------------------

let state = null;
let announced = "";
let viewRatio = 4 / 3;
let shownResult = null;

function showPrompt(prompt) {
  const tone = TONES[prompt.tone] ?? "wait";
  document.body.dataset.tone = tone;
  setText("now-word", prompt.headline);
  document.title = `${prompt.headline} - ${id("station").textContent}`;
  setText("now-remedy", prompt.remedy);
  id("now-remedy").classList.toggle("long", prompt.remedy.length > 90);
  setText("now-message", prompt.message);
  show("now-command", Boolean(prompt.command));
  setText("now-command", prompt.command ?? "");
  id("now-sign").firstElementChild.setAttribute("href", `#sign-${tone === "wait" && !WAITING.includes(prompt.headline) ? "notice" : tone}`);
  // Seconds that count up are not read out again.
  const words = `${prompt.message} ${prompt.remedy}`;
  if (words.replace(/[0-9]+ s\b/g, "") !== announced) {
    announced = words.replace(/[0-9]+ s\b/g, "");
    setText("announcement", words);
  }
}

function link(name, words, signName, tone) {
  const item = element("li", "", { "data-tone": tone });
  const rest = element("span", ` ${words}`, { class: "rest" });
  const label = element("span", name);
  label.append(rest);
  item.append(sign(signName), label);
  return item;
}

const guidedWords = ({ poses_per_s, images_per_s, delay_ms, delay_half_width_ms }) => {
  const spread = delay_half_width_ms === null ? "" : ` ± ${delay_half_width_ms.toFixed(1)}`;
  const delay = delay_ms === null ? "their delay is not known yet" : `${delay_ms.toFixed(1)}${spread} ms behind the camera`;
  return `${poses_per_s.toFixed(0)} poses per second, ${delay}; ${images_per_s.toFixed(0)} images per second`;
};

// `daemon`: "connected", "silent" or "unknown"; of robot and camera nothing is known without it.
function showLinks(daemon, status, needsRobot) {
  const other = (name, value, isNeeded) => {
    if (daemon !== "connected" || !value) return link(name, "unknown", "unknown", "wait");
    if (value.is_connected) return link(name, "connected", "on", "good");
    return link(name, "not connected", "off", isNeeded ? "bad" : "wait");
  };
  const [signName, tone] = { connected: ["on", "good"], silent: ["off", "bad"], unknown: ["unknown", "wait"] }[daemon];
  id("links").replaceChildren(
    link("Daemon", daemon, signName, tone),
    other("Robot", status?.robot, needsRobot),
    other("Camera", status?.camera, true),
  );
  const known = daemon === "connected" && status !== null ? [["robot", status.robot], ["camera", status.camera]] : [];
  const rows = known.filter(([, value]) => value.message).map(([name, value]) => [name, value.message]);
  if (known.length && status.guidance !== null) rows.push(["guided", guidedWords(status.guidance)]);
  fillList("link-words", rows);
}

function showCount(status) {
  const total = status.kept + status.wanted;
  setText("kept", String(status.kept));
  setText("kept-of", status.wanted ? `of about ${total}` : "");
  const rest = [`${status.refused} refused`, count(status.checks, "check")];
  setText("count-rest", rest.join(", "));
  const svg = id("count-marks");
  svg.replaceChildren();
  if (!total) return;
  const shown = Math.min(total, MAX_MARKS);
  const kept = status.wanted ? Math.min(Math.floor((status.kept / total) * shown), shown - 1) : shown;
  svg.setAttribute("viewBox", `0 0 ${shown * 12} 12`);
  svg.setAttribute("preserveAspectRatio", "xMinYMid meet");
  const marks = total <= MAX_MARKS ? status.kept : kept;
  for (let k = 0; k < shown; k += 1) {
    draw(svg, "rect", { x: k * 12 + 1.5, y: 1.5, width: 8, height: 9, class: k < marks ? "kept-mark" : "open-mark" });
  }
}

// Whether the prompt has this text already, which is not repeated then.
const isTold = (prompt, text) => {
  const plain = text.trim().replace(/\.$/, "").toLowerCase();
  return `${prompt.message} ${prompt.remedy}`.toLowerCase().includes(plain);
};

function showRefusal(status, prompt) {
  const refusal = status.phase === "closed" ? null : status.last_refusal;
  const reply = status.last_reply;
  const isNew = refusal !== null && reply !== null && reply.seq === refusal.seq && reply.code === refusal.code;
  show("refusal", refusal !== null && !isNew);
  setText("now-measure", isNew ? measureWords(refusal) : "");
  if (refusal === null || isNew) return;
  setText("refusal-message", sentence(refusal.message));
  setText("refusal-remedy", sentence(refusal.remedy));
  setText("refusal-measure", measureWords(refusal));
}

function measureWords(refusal) {
  const m = refusal.measure;
  if (!m) return `Code ${refusal.code}.`;
  const number = (value) => (value === null ? "not known" : `${Number(value.toPrecision(3))} ${m.unit}`.trim());
  return `Code ${refusal.code}: ${m.quantity} ${number(m.value)}, limit ${number(m.limit)}.`;
}

function showFindings(status, prompt) {
  const tones = { stop: "bad", warn: "notice", note: "act" };
  const names = { stop: "Stop: ", warn: "Attention: ", note: "" };
  const isRemedyTold = (finding) => prompt.headline === "LOOSE" || isTold(prompt, finding.remedy);
  const fill = (section, list, findings) => {
    show(section, findings.length > 0);
    id(list).replaceChildren(...findings.map((finding) => {
      const item = element("li", "", { "data-tone": tones[finding.severity] ?? "notice" });
      const words = document.createElement("div");
      words.append(element("p", sentence(`${names[finding.severity] ?? ""}${finding.message}`)));
      if (!isRemedyTold(finding)) words.append(element("p", sentence(finding.remedy), { class: "remedy" }));
      item.append(sign(tones[finding.severity] ?? "notice"), words);
      return item;
    }));
  };
  const isGrave = (finding) => finding.severity !== "note";
  // Behind a colon is the evidence.
  const isKnown = (finding) => isTold(prompt, finding.message.split(": ")[0]) && isRemedyTold(finding);
  fill("findings", "findings-list", status.findings.filter((finding) => isGrave(finding) && !isKnown(finding)));
  fill("notes", "notes-list", status.findings.filter((finding) => !isGrave(finding)));
}

function showResult(content) {
  // While pairs are wanted it is not the result yet.
  const isDue = content.result_line !== "" && (content.status.wanted === 0 || content.status.phase === "closed");
  show("result", isDue);
  setText("result-line", sentence(content.result_line));
  setText("result-reason", isTold(content.prompt, content.status.result?.acceptance.reason ?? "")
    ? "" : sentence(content.status.result.acceptance.reason));
  const wanted = isDue ? content.result : null;
  if (wanted === shownResult) return;
  shownResult = wanted;
  fillList("result-figures", []);
  show("map-block", false);
  if (wanted === null) return;
  fetch("result").then((reply) => (reply.ok ? reply.json() : null)).then((found) => {
    if (wanted === shownResult) drawResult(found);
  }).catch(() => { shownResult = null; });
}

function showState(content) {
  state = content;
  isLost = false;
  const { status, prompt } = content;
  if (status !== null) setText("station", status.station);
  showPrompt(prompt);
  document.body.classList.toggle("is-stale", content.silent);
  document.body.classList.toggle("is-empty", status === null);
  showLinks(content.silent ? "silent" : status === null ? "unknown" : "connected", status, content.needs_robot);
  setText("note", content.note);
  if (content.silent || status === null || isPictureOld()) showNoPicture(noPictureWords());
  if (status === null) return;
  setText("session", status.session ? `session ${status.session}` : "no session");
  showCount(status);
  setText("how-far", status.kept ? content.how_far : "");
  showRefusal(status, prompt);
  showFindings(status, prompt);
  showProof(status.proof, prompt);
  showResult(content);
  drawCharts();
}

// --- charts -------------------------------------------------------------------------------------------------------

function sized(name) {
  const svg = id(name);
  // A window can be too small for any chart, if only while its size changes.
  const box = svg.getBoundingClientRect(), width = Math.max(box.width, 160), height = Math.max(box.height, 120);
  svg.setAttribute("viewBox", `0 0 ${width} ${height}`);
  svg.replaceChildren();
  return [svg, width, height];
}

function drawCharts() {
  if (state === null || state.status === null) return;
  drawError(state.status);
  drawImage(state.status.kept_views);
  drawTilts(state.status.kept_views);
  drawDistances(state.status.kept_views);
  const next = state.status.progress?.next_view;
  setText("next-view", next?.message && state.status.wanted ? `Would help most: ${next.message}` : "");
}

function drawError(status) {
  const history = [...status.p95_upper_history_mm];
  // The newest value may have been solved for once more since its pair was kept.
  if (history.length) history[history.length - 1] = status.p95_upper_mm;
  const tolerance = status.tolerance_mm;
  const known = history.map((value, k) => [k + 1, value]).filter(([, value]) => value !== null);
  const newest = status.p95_upper_mm;
  const what = status.tolerance_of === "pick" ? "a pick" : "the transform";
  const words = newest === null
    ? `Not known yet. The tolerance for ${what} is ${mm(tolerance)}.`
    : `${what[0].toUpperCase()}${what.slice(1)} is off by up to ${mm(newest)} (95 % confidence); tolerance ${mm(tolerance)}: ${newest <= tolerance ? "reached" : "not reached yet"}.`;
  setText("error-words", words);
  const [svg, width, height] = sized("error-chart");
  const left = 44, right = 14, top = 10, bottom = 26;
  const values = known.map(([, value]) => value);
  const low = Math.min(tolerance, ...values) / 1.6;
  const high = Math.max(tolerance, ...values) * 1.6;
  const last = Math.max(history.length, status.kept + status.wanted, status.min_pairs);
  const x = (pair) => left + ((pair - 0.5) / last) * (width - left - right);
  const y = (value) => top + (1 - Math.log(value / low) / Math.log(high / low)) * (height - top - bottom);
  draw(svg, "rect", { x: left, y: y(tolerance), width: width - left - right, height: height - bottom - y(tolerance), class: "within" });
  for (const tick of ticks(low, high)) {
    draw(svg, "path", { d: `M${left} ${y(tick)}H${width - right}`, class: "grid" });
    draw(svg, "text", { x: left - 6, y: y(tick) + 4, "text-anchor": "end" }, String(tick));
  }
  draw(svg, "text", { x: 2, y: top + 4 }, "mm");
  draw(svg, "text", { x: 2, y: height - 8 }, "pairs");
  const step = Math.max(1, Math.ceil(last / Math.max((width - left) / 40, 1)));
  for (let pair = step; pair <= last; pair += step) {
    draw(svg, "text", { x: x(pair), y: height - 8, "text-anchor": "middle" }, String(pair));
  }
  draw(svg, "path", { d: `M${left} ${height - bottom}H${width - right}`, class: "axis" });
  draw(svg, "path", { d: `M${left} ${y(tolerance)}H${width - right}`, class: "tolerance" });
  draw(svg, "text", { x: left + 5, y: y(tolerance) + 15 }, `tolerance ${mm(tolerance)}`);
  if (!known.length) return;
  draw(svg, "path", { d: `M${known.map(([pair, value]) => `${x(pair)} ${y(value)}`).join("L")}`, class: "line" });
  known.forEach(([pair, value], k) => {
    draw(svg, "circle", { cx: x(pair), cy: y(value), r: 4.5, class: k === known.length - 1 ? "dot newest" : "dot" });
  });
  const [pair, value] = known[known.length - 1];
  const atEnd = x(pair) > width - 70;
  // On its own side of the line of the tolerance.
  const beside = value > tolerance ? -9 : Math.min(18, height - bottom - 4 - y(value));
  draw(svg, "text", { x: x(pair) + (atEnd ? 0 : 8), y: y(value) + beside, "text-anchor": atEnd ? "end" : "start" }, value.toFixed(2));
}

function ticks(low, high) {
  const found = [];
  for (let power = Math.floor(Math.log10(low)); power <= Math.ceil(Math.log10(high)); power += 1) {
    for (const factor of [1, 2, 5]) found.push(Number((factor * 10 ** power).toPrecision(2)));
  }
  const inside = found.filter((tick) => tick > low && tick < high);
  return inside.length > 7 ? inside.filter((tick) => /^0?\.?0*1/.test(String(tick))) : inside;
}

const viewClass = (kind, view, k, views) => `${kind}${view.is_used ? "" : " unused"}${k === views.length - 1 ? " newest" : ""}`;

function isInside([px, py], polygon) {
  let inside = false;
  for (let i = 0, j = polygon.length - 1; i < polygon.length; j = i, i += 1) {
    const [xi, yi] = polygon[i], [xj, yj] = polygon[j];
    if (yi > py !== yj > py && px < ((xj - xi) * (py - yi)) / (yj - yi) + xi) inside = !inside;
  }
  return inside;
}

function drawImage(views) {
  const [svg, width, height] = sized("image-chart");
  const room = Math.min(width - 4, (height - 4) * viewRatio);
  const w = Math.max(room, 1), h = w / viewRatio, x0 = (width - w) / 2, y0 = 2;
  const outlines = views.map((view) => view.outline).filter((outline) => outline.length > 2);
  let empty = 0;
  for (let row = 0; row < CELLS; row += 1) {
    for (let column = 0; column < CELLS; column += 1) {
      const samples = [0.2, 0.5, 0.8].flatMap((a) => [0.2, 0.5, 0.8].map((b) => [(column + a) / CELLS, (row + b) / CELLS]));
      if (samples.some((point) => outlines.some((outline) => isInside(point, outline)))) continue;
      empty += 1;
      draw(svg, "rect", { x: x0 + (column * w) / CELLS, y: y0 + (row * h) / CELLS, width: w / CELLS, height: h / CELLS, class: "unseen-part" });
    }
  }
  for (let k = 1; k < CELLS; k += 1) {
    draw(svg, "path", { d: `M${x0 + (k * w) / CELLS} ${y0}v${h}M${x0} ${y0 + (k * h) / CELLS}h${w}`, class: "grid" });
  }
  views.forEach((view, k) => {
    if (view.outline.length < 2) return;
    const points = view.outline.map(([a, b]) => `${x0 + a * w} ${y0 + b * h}`).join("L");
    draw(svg, "path", { d: `M${points}Z`, class: viewClass("been", view, k, views) });
  });
  draw(svg, "rect", { x: x0, y: y0, width: w, height: h, class: "axis" });
  setText("image-words", views.length
    ? `In the picture: ${empty ? `${empty} of ${CELLS * CELLS} parts not reached yet (hatched)` : "all parts reached"}.`
    : "In the picture: nowhere yet.");
}

function drawTilts(views) {
  const [svg, width, height] = sized("tilt-chart");
  const r = Math.max(Math.min(width / 2 - 44, height / 2 - 18), 10), cx = width / 2, cy = height / 2, most = 60;
  const tilted = views.filter((view) => view.tilt_deg !== null && view.tilt_direction_deg !== null);
  const side = (view) => Math.round((view.tilt_direction_deg + 360) / 90) % 4;
  const missing = [0, 1, 2, 3].filter((k) => !tilted.some((view) => view.tilt_deg >= TILTED_DEG && side(view) === k));
  const inner = (r * TILTED_DEG) / most;
  for (const k of missing) {
    const at = (radius, degrees) => `${cx + radius * Math.cos((degrees * Math.PI) / 180)} ${cy + radius * Math.sin((degrees * Math.PI) / 180)}`;
    const [from, to] = [k * 90 - 45, k * 90 + 45];
    draw(svg, "path", {
      d: `M${at(inner, from)}L${at(r, from)}A${r} ${r} 0 0 1 ${at(r, to)}L${at(inner, to)}A${inner} ${inner} 0 0 0 ${at(inner, from)}Z`,
      class: "unseen-part",
    });
  }
  for (const degrees of [15, 30, 45, 60]) {
    draw(svg, "circle", { cx, cy, r: (r * degrees) / most, class: degrees === most ? "axis" : "grid" });
  }
  draw(svg, "text", { x: cx + 3, y: cy - (r * 30) / most + 13 }, "30°");
  draw(svg, "text", { x: cx + 3, y: cy - r + 13 }, "60°");
  const labels = [["right", cx + r + 5, cy + 4, "start"], ["down", cx, cy + r + 14, "middle"], ["left", cx - r - 5, cy + 4, "end"], ["up", cx, cy - r - 5, "middle"]];
  for (const [text, x, y, anchor] of labels) draw(svg, "text", { x, y, "text-anchor": anchor }, text);
  tilted.forEach((view, k) => {
    const radius = (r * Math.min(view.tilt_deg, most)) / most, angle = (view.tilt_direction_deg * Math.PI) / 180;
    draw(svg, "circle", { cx: cx + radius * Math.cos(angle), cy: cy + radius * Math.sin(angle), r: 5, class: viewClass("dot", view, k, tilted) });
  });
  const words = tilted.length
    ? missing.length ? `not turned ${missing.map((k) => SIDES[k]).join(", ")} yet (hatched)` : "turned to all sides"
    : "not known yet";
  setText("tilt-words", `Tilt of the board, as the camera sees its face: ${words}.`);
}

function drawDistances(views) {
  const [svg, width, height] = sized("distance-chart");
  const known = views.filter((view) => view.distance_mm !== null);
  if (!known.length) {
    setText("distance-words", "Distance from the camera: not known yet.");
    return;
  }
  const values = known.map((view) => view.distance_mm);
  const near = Math.min(...values), far = Math.max(...values);
  const low = Math.max(0, near - 0.1 * far), high = far * 1.1;
  const left = 58, top = 12, bottom = 22;
  const y = (value) => height - bottom - ((value - low) / (high - low)) * (height - top - bottom);
  const x = (k) => left + 16 + (k / Math.max(known.length - 1, 1)) * (width - left - 40);
  draw(svg, "path", { d: `M${left} ${top}V${height - bottom}H${width - 8}`, class: "axis" });
  for (const value of near === far ? [near] : [near, far]) {
    draw(svg, "path", { d: `M${left} ${y(value)}H${width - 8}`, class: "grid" });
    draw(svg, "text", { x: left - 6, y: y(value) + 4, "text-anchor": "end" }, `${value.toFixed(0)}`);
  }
  draw(svg, "text", { x: 2, y: height - 6 }, "mm");
  draw(svg, "text", { x: width - 8, y: height - 6, "text-anchor": "end" }, "pair by pair");
  known.forEach((view, k) => draw(svg, "circle", { cx: x(k), cy: y(view.distance_mm), r: 5, class: viewClass("dot", view, k, known) }));
  setText("distance-words", `Distance from the camera: ${[...new Set([near.toFixed(0), far.toFixed(0)])].join(" to ")} mm.`);
}

// --- the result ---------------------------------------------------------------------------------------------------

function drawResult(result) {
  if (result === null) return;
  const rows = [];
  if (result.transform) {
    rows.push([result.transform, `${result.translation_mm.map((v) => (v === null ? "unknown" : v.toFixed(3))).join(", ")} mm`]);
    rows.push(["quaternion w x y z", result.quaternion_wxyz.map((v) => v.toFixed(6)).join(", ")]);
  }
  rows.push(["pairs used", String(result.pairs_used)]);
  const residual = (r) => `${count(r.count, "pair")}, RMS ${mm(r.rms_mm)}, largest ${mm(r.worst_mm)}`;
  if (result.cross_validation.count) rows.push(["pairs left out in turn", residual(result.cross_validation)]);
  if (result.checks.count) rows.push(["check pairs", residual(result.checks)]);
  fillList("result-figures", rows);
  if (result.error_map === null || result.tolerance_mm === null) return;
  show("map-block", true);
  const map = result.error_map, tolerance = result.tolerance_mm;
  setText("map-words", `Error of the transform (95th percentile, mm) at points of the picture. White is none, the darkest is the tolerance of ${mm(tolerance)}; hatched with an outline is above it.`);
  id("map").replaceChildren(...map.distance_mm.map((distance, k) => mapPanel(map, distance, map.p95_mm[k], tolerance)));
}

function mapPanel(map, distance, plane, tolerance) {
  const figure = document.createElement("figure");
  const numbers = plane.flat().filter((value) => value !== null);
  const over = numbers.filter((value) => value > tolerance).length;
  const words = numbers.length
    ? `At ${distance.toFixed(0)} mm: ${Math.min(...numbers).toFixed(2)} to ${Math.max(...numbers).toFixed(2)} mm, ${over ? `${over} of ${numbers.length} points above the tolerance` : "all within the tolerance"}.`
    : `At ${distance.toFixed(0)} mm: the lens has no ray there.`;
  const columns = map.u_px.length, rows = map.v_px.length, w = 36;
  const ratio = Math.min(Math.max(map.v_px[rows - 1] / Math.max(map.u_px[columns - 1], 1), 0.5), 1.4);
  const h = w * Math.max(ratio * (columns / rows), 0.5);
  const svg = draw(figure, "svg", { viewBox: `0 0 ${columns * w} ${rows * h}`, role: "img", "aria-label": words });
  plane.forEach((line, row) => line.forEach((value, column) => {
    const box = { x: column * w, y: row * h, width: w, height: h };
    const share = value === null ? 0 : Math.min(value / tolerance, 1);
    const part = (pale, dark) => Math.round(pale + (dark - pale) * share);
    draw(svg, "rect", { ...box, fill: `rgb(${part(250, 28)},${part(248, 62)},${part(242, 92)})`, stroke: "#fff" });
    if (value !== null && value > tolerance) {
      draw(svg, "rect", { ...box, class: "over-hatch" });
      draw(svg, "rect", { ...box, class: "over" });
    }
    draw(svg, "text", { x: (column + 0.5) * w, y: (row + 0.5) * h + 4, class: share < 0.55 ? "dark-ink" : "light-ink" },
      value === null ? "-" : value < 10 ? value.toFixed(2) : value.toFixed(0));
  }));
  figure.append(element("figcaption", words));
  return figure;
}

// --- the picture --------------------------------------------------------------------------------------------------

let viewNumber = 0;
let lastPictureAt = -Infinity;
let lastTextAt = 0;

const closed = (points) => `M${points.map(([x, y]) => `${x} ${y}`).join("L")}Z`;

async function showView(reply) {
  const parts = await reply.formData();
  const header = JSON.parse(parts.get("header"));
  const picture = parts.get("picture");
  viewNumber = header.number;
  lastPictureAt = performance.now();
  if (picture.size === 0) {
    showNoPicture(header.reason ? sentence(`no picture: ${header.reason.message}`) : "No picture.");
    return;
  }
  const bitmap = await createImageBitmap(picture);
  const canvas = id("picture");
  if (canvas.width !== bitmap.width || canvas.height !== bitmap.height) {
    canvas.width = bitmap.width;
    canvas.height = bitmap.height;
    viewRatio = bitmap.width / bitmap.height;
    drawCharts();
  }
  canvas.getContext("2d").drawImage(bitmap, 0, 0);
  bitmap.close();
  drawOverlay(header, canvas.width, canvas.height);
  describeView(header);
}

// Distance of neighbouring corners, pixels of the picture.
function spacing(corners) {
  const near = corners.slice(0, 24).map(([x, y]) =>
    Math.min(...corners.map(([u, v]) => Math.hypot(u - x, v - y)).filter((distance) => distance > 0)));
  return near.sort((a, b) => a - b)[Math.floor(near.length / 2)];
}

function drawOverlay(header, width, height) {
  const svg = id("overlay");
  // A pixel's centre has integer coordinates.
  svg.setAttribute("viewBox", `-0.5 -0.5 ${width} ${height}`);
  svg.replaceChildren();
  if (header.corners_px.length) {
    // Lines of no length are dots, which leave what is between them to be seen.
    const dots = header.corners_px.map(([x, y]) => `M${x} ${y}h0`).join("");
    const size = Math.min(Math.max((spacing(header.corners_px) * svg.clientWidth * 0.3) / width, 1.5), 6);
    if (size > 2) draw(svg, "path", { d: dots, class: "corner-edge", "stroke-width": size + 2 });
    draw(svg, "path", { d: dots, class: "corner", "stroke-width": size });
  }
  const outlines = [["seen", header.board_outline_px], ["predicted", header.predicted_outline_px]].filter(([, points]) => points);
  // Where both agree, each is seen in the gaps of the other.
  for (const [, points] of outlines) draw(svg, "path", { d: closed(points), class: "edge" });
  for (const [kind, points] of outlines) draw(svg, "path", { d: closed(points), class: kind });
  show("key", Boolean(header.board_outline_px || header.predicted_outline_px));
  show("key-predicted", Boolean(header.predicted_outline_px));
}

const clock = (time_s) => new Date(1000 * time_s).toTimeString().slice(0, 8);

function describeView(header) {
  const isNewSight = id("no-picture").hidden === false;
  show("no-picture", false);
  if (!isNewSight && performance.now() - lastTextAt < TEXT_EVERY_MS) return;
  lastTextAt = performance.now();
  const words = header.found
    ? `The board is found, with ${count(header.corners_px.length, "corner")}.`
    : `${sentence(header.reason?.message ?? "the board is not found")} ${sentence(header.reason?.remedy ?? "")}`;
  setText("seen", words);
  setText("taken", header.is_of_capture ? `Picture of the newest capture, ${clock(header.time_s)}.` : "");
  id("picture").setAttribute("aria-label", `Picture of the camera. ${words}`);
  const rows = [];
  const percent = (share, digits) => `${(100 * share).toFixed(digits)} %`;
  if (header.brightness !== null) {
    const saturated = (header.saturated_fraction ?? 0) < 0.0005 ? "" : `, ${percent(header.saturated_fraction, 1)} saturated`;
    rows.push([header.found ? "light on the board" : "light", `${percent(header.brightness, 0)} of white${saturated}`]);
  }
  if (header.edge_blur_px !== null) rows.push(["blur of edges", `${header.edge_blur_px.toFixed(2)} px`]);
  if (header.tilt_deg !== null) rows.push(["tilt", `${header.tilt_deg.toFixed(0)}°`]);
  if (header.distance_mm !== null) rows.push(["distance", mm(header.distance_mm, 0)]);
  fillList("figures", rows);
}

function showProof(proof, prompt) {
  show("proof", proof !== null);
  if (proof === null) return;
  id("proof").dataset.tone = proof.consistent === null ? "wait" : proof.consistent ? "good" : "bad";
  setText("proof-answer", proof.consistent === null ? "Not known" : proof.consistent ? "Yes" : "No");
  // The message of the proof has the figures below in one sentence.
  setText("proof-words", proof.consistent === null ? "The result does not state how far off the board may be seen."
    : `The board is ${proof.consistent ? "" : "not "}seen where the result puts it${proof.consistent ? ", as near as its error allows" : ""}.`);
  setText("proof-remedy", isTold(prompt, proof.remedy) ? "" : sentence(proof.remedy));
  const both = (px, millimetres) => `${mm(millimetres)} at the board, ${px.toFixed(2)} px`;
  fillList("proof-figures", [
    ["difference now", both(proof.distance_px, proof.distance_mm)],
    [`95 % of ${count(proof.views, "place")}`, `within ${both(proof.p95_px, proof.p95_mm)}`],
    ["allowed", proof.allowed_mm === null ? "not stated by the result" : `up to ${mm(proof.allowed_mm)}`],
  ]);
}

function showNoPicture(words) {
  show("no-picture", true);
  setText("no-picture", words);
  setText("seen", "");
  setText("taken", "");
  show("key", false);
  id("overlay").replaceChildren();
  fillList("figures", []);
  id("picture").setAttribute("aria-label", words);
}

const isPictureOld = () => performance.now() - lastPictureAt > NO_PICTURE_MS;

function noPictureWords() {
  if (isLost) return "No picture.";
  if (state?.silent) return "No picture: the daemon is silent.";
  const camera = state.status?.camera;
  return camera && !camera.is_connected ? "No picture: the camera delivers none." : "No picture yet.";
}

const pause = (ms) => new Promise((done) => { setTimeout(done, ms); });
const untilVisible = () => new Promise((done) => {
  if (document.hidden) document.addEventListener("visibilitychange", done, { once: true });
  else done();
});

async function followViews() {
  for (;;) {
    await untilVisible();
    try {
      const reply = await fetch(`view?after=${viewNumber}`);
      if (reply.status === 200) await showView(reply);
      else if (reply.status !== 204) await pause(RETRY_MS);
    } catch {
      await pause(RETRY_MS);
    }
    if (isPictureOld()) showNoPicture(noPictureWords());
  }
}

// --- the stream of states -----------------------------------------------------------------------------------------

let events = null;
let heardAt = performance.now();
let lostReason = null;
let attempts = 0;
let isLost = false;

function lost(message) {
  isLost = true;
  if (message) lostReason = message;
  document.body.classList.add("is-stale");
  showPrompt({ ...LOST_PROGRAM, message: lostReason ?? LOST_PROGRAM.message });
  showLinks("unknown", null, false);
  showNoPicture(noPictureWords());
}

function follow() {
  if (events !== null) events.close();
  events = new EventSource("events");
  heardAt = performance.now();
  events.addEventListener("open", () => { viewNumber = 0; lostReason = null; attempts = 0; });
  events.addEventListener("alive", () => { heardAt = performance.now(); });
  events.addEventListener("state", (event) => {
    heardAt = performance.now();
    showState(JSON.parse(event.data));
  });
  events.addEventListener("error", () => {
    if (events.readyState !== EventSource.CLOSED) {
      // The browser tries again by itself. Once in vain: the program is not there.
      attempts += 1;
      if (attempts > 1) lost();
      return;
    }
    // Refused, not interrupted: the reply has the reason, which the stream does not give.
    fetch("events", { method: "HEAD" }).then((reply) => {
      if (reply.status === 503) lost("The page is open in too many browsers already. Close one of them.");
      else if (reply.status === 401) lost("This browser has no token any more. Open the page's link from the cell's PC again.");
      else lost();
    }).catch(() => lost()).finally(() => setTimeout(() => { if (!document.hidden) follow(); }, 3 * RETRY_MS));
  });
}

setInterval(() => {
  if (!document.hidden && performance.now() - heardAt > PROGRAM_SILENT_MS) lost();
}, RETRY_MS);
document.addEventListener("visibilitychange", () => {
  if (document.hidden && events !== null) events.close();
  if (!document.hidden) follow();
});
new ResizeObserver(drawCharts).observe(id("covered-charts"));
follow();
followViews();
