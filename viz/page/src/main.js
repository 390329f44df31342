// Joins the page's controls to the model. All that is told stands in the page already; this only makes it move.

import { Eye, steer } from "./camera.js";
import { Model } from "./model.js";
import { assembly, moment, outOfLine, unpack } from "./rig.js";
import { drawStrip } from "./strip.js";
import { talk } from "./talk.js";
import { feeler, length, valve } from "./words.js";

const $ = (id) => document.getElementById(id);
const CYCLE = 720;
const DEG_PER_S = 60;
const HOLD_S = 1.5;
const SIGN = { free: "goes in free", eased: "is eased in", "does not go in": "does not go in" };

const data = JSON.parse($("data").textContent);
talk();
start().catch((error) => {
  $("no-model").hidden = false;
  $("no-model-why").textContent = String(error && error.message ? error.message : error);
});

async function start() {
  const block = await unpack($("block").textContent.trim(), data.counts);
  const model = new Model(data, block, !location.hash.includes("plain"));
  const player = $("player");
  player.hidden = false;
  for (const each of document.querySelectorAll(".show-step")) each.hidden = false;

  const eye = new Eye(data.whole, data.views);
  const still = matchMedia("(prefers-reduced-motion: reduce)");
  const darkness = matchMedia("(prefers-color-scheme: dark)");
  // now: step, share of it (0 to 1), crank turned by hand (or null), tooth tried (or null), playing what
  const now = { step: 0, share: 1, crank: null, tooth: null, home: false, playing: "", speed: 1, found: false };
  let wanted = false;
  let strip = [0, 1];
  let before = 0;

  function shown() {
    if (now.found) return { assembly: data.as_found, crank: now.crank ?? 0, free: {} };
    const step = data.steps[now.step];
    const own = moment(step, now.share);
    if (now.tooth !== null) {
      const close = data.close[`teeth ${step.trial.coupling}`].out;
      own.free = {
        [close.quill]: close.sense * close.tooth * now.tooth,
        [close.slide]: now.home ? 0 : step.trial.drawn_mm,
        ...standing(step, own),
      };
      own.assembly = step.during;
    }
    if (now.crank !== null) own.crank = now.crank;
    return own;
  }

  /** Where the driven shaft stands while a tooth is tried; home, it has moved by what was out of line. */
  function standing(step, own) {
    const close = data.close[`teeth ${step.trial.coupling}`].out;
    const { lines } = assembly(data, step.during);
    const line = lines[close.driven];
    const held = close.driven in own.free ? own.free[close.driven] : line[2];
    const out = step.trial.trials[now.tooth][1];
    return { [close.driven]: held + (now.home ? close.sense * out : 0) };
  }

  function draw() {
    wanted = false;
    const step = data.steps[now.step];
    model.about = new Set(step.about);
    model.faint = $("faint").checked;
    const compare = now.found && $("compare").checked;
    model.place(shown(), compare ? data.as_set : null, now.found ? null : step);
    model.draw($("whole"), eye.camera());
    step.close.forEach((name, number) => {
      const figure = $(`close-${number}`);
      figure.hidden = name === null;
      if (name === null) return;
      model.drawClose(name, figure.querySelector("canvas"));
      const [title, reading] = told(name);
      figure.querySelector(".what").textContent = title;
      figure.querySelector(".reading").textContent = reading;
    });
    strip = drawStrip($("strip"), data.strip, model.now.crank, darkness.matches);
    words();
  }

  function told(name) {
    const close = data.close[name];
    const state = model.state;
    if (close.kind === "valve") {
      const less = model.less[close.of];
      if (less === null) return [`${close.of} valve`, "cam follower not fitted"];
      const blade = model.blade && model.blade.of === close.of ? model.blade : null;
      const gap = blade ? blade.gap : state[`valve ${close.of}, to come`];
      const says = valve(data, close, state[`valve ${close.of}`], gap);
      return [`${close.of} valve`, blade ? `${says}; ${feeler(data, blade).join(", ")}` : says];
    }
    if (close.kind === "teeth") {
      const at = outOfLine(close.out, state);
      if (!at.drawn) return [`${close.of}, end-on`, "home"];
      const where = at.between ? "between two teeth" : `tooth ${at.tooth}`;
      const crank = at.out / close.out.turns;
      return [`${close.of}, end-on`, `${where}: out of line ${at.out.toFixed(2)}° shaft, ${crank.toFixed(2)}° crank`];
    }
    if (close.kind === "magneto") {
      const gap = state[`points ${close.of}`];
      const [closed, open, touching] = data.magnetos[close.of];
      const isOpen = gap > touching;
      const points = isOpen ? `points ${length(gap, data.unit)} (drawn × ${close.factor})` : "points shut";
      return [`${close.of} magneto`, `${points}, meter ${(isOpen ? open : closed).toFixed(2)} Ω`];
    }
    return ["timing window", `crank ${crankText(model.now.crank)}°`];
  }

  function words() {
    const step = data.steps[now.step];
    $("title").textContent = now.found ? `As found: ${data.found_words}` : step.title;
    const angle = wrapped(model.now.crank);
    const told = crankText(model.now.crank);
    const spoken = `${told} degrees`;
    set($("crank"), angle, spoken);
    if (document.activeElement !== $("crank-number")) $("crank-number").value = told;
    $("crank-told").textContent = `${told}°`;
    set($("share"), Math.round(now.share * 1000) / 10, `${Math.round(now.share * 100)} % of the step`);
    $("play-step").setAttribute("aria-pressed", String(now.playing === "step"));
    $("play-cycle").setAttribute("aria-pressed", String(now.playing === "cycle"));
    $("play-step").textContent = now.playing === "step" ? "Pause" : "Play the step";
    $("play-cycle").textContent = now.playing === "cycle" ? "Pause" : "Turn the crank";
    $("before").disabled = now.step === 0;
    $("after").disabled = now.step === data.steps.length - 1;
    for (const each of document.querySelectorAll("#step-list button")) {
      const here = Number(each.dataset.step) === now.step && !now.found;
      if (here) each.setAttribute("aria-current", "step");
      else each.removeAttribute("aria-current");
    }
    trial(step);
  }

  function trial(step) {
    $("trial").hidden = step.trial === null || now.found;
    if ($("trial").hidden) return;
    const tooth = now.tooth ?? step.trial.best;
    const [, out, crank, fit] = step.trial.trials[tooth];
    $("tooth").textContent = `Tooth ${tooth} of ${step.trial.trials.length}`;
    const side = out > 0 ? "early" : "late";
    const shift = `${Math.abs(crank).toFixed(2)} crank degrees ${side}`;
    let says = `Out of line by ${Math.abs(out).toFixed(2)}° of the shaft: it ${SIGN[fit]}.`;
    if (fit === "does not go in") says += ` Forced to the next place, every event of this shaft would be ${shift}.`;
    else if (Math.abs(crank) < 0.005) says += " Home here, the events stay where they were set.";
    else says += ` Home here, every event of this shaft is ${shift}.`;
    $("trial-says").textContent = says;
    $("go-home").disabled = fit === "does not go in" || now.home;
    $("draw-out").disabled = now.tooth !== null && !now.home;
    $("go-home").textContent = `Put the ${step.trial.kind} home`;
  }

  function ask() {
    if (wanted) return;
    wanted = true;
    requestAnimationFrame(draw);
  }

  function go(number, share = 1) {
    now.step = Math.min(data.steps.length - 1, Math.max(0, number));
    Object.assign(now, { share, crank: null, tooth: null, home: false, playing: "", found: false });
    if (data.as_found !== null) $("found").checked = false;
    $("status").textContent = data.steps[now.step].title;
    ask();
  }

  function play(what) {
    now.playing = now.playing === what ? "" : what;
    if (now.playing === "step") {
      Object.assign(now, { crank: null, tooth: null, home: false, found: false });
      if (now.share >= 1) now.share = 0;
    }
    if (now.playing === "cycle") now.crank = model.now.crank;
    before = performance.now();
    if (now.playing) requestAnimationFrame(beat);
    ask();
  }

  function beat(time) {
    if (!now.playing) return;
    const elapsed = Math.min(0.25, (time - before) / 1000) * now.speed;
    before = time;
    if (now.playing === "cycle") now.crank += elapsed * DEG_PER_S;
    else {
      const length = data.steps[now.step].seconds || HOLD_S;
      now.share = Math.min(1, now.share + elapsed / length);
      if (now.share >= 1) {
        now.playing = "";
        $("status").textContent = `End of step ${now.step + 1}`;
      }
    }
    draw();
    if (now.playing) requestAnimationFrame(beat);
  }

  function turnTo(angle) {
    if (!Number.isFinite(angle)) return;
    now.crank = angle;
    now.playing = "";
    ask();
  }

  $("crank").addEventListener("input", () => turnTo(Number($("crank").value)));
  $("crank-number").addEventListener("change", () => turnTo(Number($("crank-number").value)));
  $("share").addEventListener("input", () => {
    Object.assign(now, { share: Number($("share").value) / 100, crank: null, tooth: null, playing: "", found: false });
    ask();
  });
  $("before").addEventListener("click", () => go(now.step - 1));
  $("after").addEventListener("click", () => go(now.step + 1));
  $("play-step").addEventListener("click", () => play("step"));
  $("play-cycle").addEventListener("click", () => play("cycle"));
  $("speed").addEventListener("change", () => { now.speed = Number($("speed").value); });
  $("start").addEventListener("click", () => { now.share = 0; now.crank = null; now.tooth = null; ask(); });
  $("end").addEventListener("click", () => { now.share = 1; now.crank = null; now.tooth = null; ask(); });
  $("faint").addEventListener("change", ask);
  for (const each of document.querySelectorAll("[data-view]")) {
    each.addEventListener("click", () => {
      if (each.dataset.view === "start") eye.reset();
      else eye.look(each.dataset.view);
      ask();
    });
  }
  for (const each of document.querySelectorAll("#step-list button")) {
    each.addEventListener("click", () => go(Number(each.dataset.step)));
  }
  for (const each of document.querySelectorAll(".show-step")) {
    each.addEventListener("click", () => {
      go(Number(each.dataset.step), 0);
      player.scrollIntoView({ behavior: still.matches ? "auto" : "smooth" });
      $("title").focus({ preventScroll: true });
    });
  }
  const tryTooth = (by) => {
    const step = data.steps[now.step];
    const count = step.trial.trials.length;
    const tooth = now.tooth ?? step.trial.best;
    now.tooth = (((tooth + by) % count) + count) % count;
    now.home = false;
    now.share = Math.min(now.share, 0.999);
    now.playing = "";
    ask();
  };
  $("tooth-on").addEventListener("click", () => tryTooth(1));
  $("tooth-back").addEventListener("click", () => tryTooth(-1));
  $("draw-out").addEventListener("click", () => tryTooth(0));
  $("go-home").addEventListener("click", () => {
    now.tooth = now.tooth ?? data.steps[now.step].trial.best;
    now.home = true;
    now.share = Math.min(now.share, 0.999);
    ask();
  });
  if (data.as_found !== null) {
    for (const id of ["found", "compare"]) {
      $(id).addEventListener("change", () => {
        now.found = $("found").checked;
        now.playing = "";
        now.crank = now.found ? model.now.crank : null;
        ask();
      });
    }
  }
  $("all-parts").addEventListener("click", () => {
    model.hidden = new Set(data.parts.filter((part) => !part.shown).map((part) => part.name));
    point("");
  });
  $("hide-part").addEventListener("click", () => {
    if (model.pointed) model.hidden.add(model.pointed);
    point("");
  });

  const list = $("part-list");
  for (const part of data.parts) {
    const option = document.createElement("option");
    option.value = part.name;
    option.textContent = part.name;
    list.append(option);
  }
  list.addEventListener("change", () => point(list.value));

  function point(name) {
    model.pointed = name;
    list.value = name;
    const part = data.parts.find((each) => each.name === name);
    $("part-told").textContent = part ? `${part.name}${part.figures ? `: ${part.figures}` : ""}` : "";
    $("hide-part").disabled = !part;
    ask();
  }

  steer($("whole"), eye, ask, (x, y) => {
    const canvas = $("whole");
    point(model.at(x, y, eye.camera(), canvas.clientWidth / canvas.clientHeight));
  });
  const scrub = (event) => {
    const box = $("strip").getBoundingClientRect();
    const share = (event.clientX - box.left - strip[0]) / (strip[1] - strip[0]);
    turnTo(Math.min(1, Math.max(0, share)) * CYCLE);
  };
  $("strip").addEventListener("pointerdown", (event) => { $("strip").setPointerCapture(event.pointerId); scrub(event); });
  $("strip").addEventListener("pointermove", (event) => { if (event.buttons) scrub(event); });
  document.addEventListener("keydown", (event) => {
    if (event.target.closest("input, select, textarea, canvas, [data-talk]") || event.ctrlKey || event.altKey || event.metaKey) return;
    if (document.body.classList.contains("talk")) return;
    if (event.key === "n") go(now.step + 1);
    else if (event.key === "p") go(now.step - 1);
  });
  new ResizeObserver(ask).observe($("whole"));
  darkness.addEventListener("change", ask);
  addEventListener("hashchange", () => {
    const found = /^#step-(\d+)$/.exec(location.hash);
    if (found) go(Number(found[1]) - 1);
  });
  draw();
  player.dataset.ready = "yes";
  // for whoever checks the page: the poses as they are drawn
  globalThis.quillwise = { model, now, go, draw };
}

function wrapped(angle) {
  return ((angle % CYCLE) + CYCLE) % CYCLE;
}

/* As format_crank of kinematics/angles.py: rounded first and wrapped then, never 720. */
function crankText(angle) {
  return wrapped(Number(wrapped(angle).toFixed(1))).toFixed(1);
}

function set(range, value, spoken) {
  if (document.activeElement !== range) range.value = value;
  range.setAttribute("aria-valuetext", spoken);
}
