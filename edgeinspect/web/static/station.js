// The station board. It shows what the stream says, and nothing once the stream is silent: a page that has gone deaf must never keep an answer.
import { drawPicture } from "./picture.js";
import { ageWords, ordinal, svg } from "./words.js";

const SILENT_AFTER_MS = 3500; // a beat comes each second; the page must be grey within 5 s
const RETRY_MS = 1000;

const board = document.getElementById("board");
const part = (id) => document.getElementById(id);

let record = null; // the last /station.json
let heardAt = null; // performance.now() of the last event
let answerFrom = { id: null, at: 0 }; // the answer shown, and the performance.now() at which it was 0 s old
let serverAhead = 0; // server clock - performance.now(), ms: ages never come from this machine's own clock
let stream = null;
let retryAt = 0;

function connect() {
  stream?.close();
  stream = new EventSource("/events");
  retryAt = performance.now() + SILENT_AFTER_MS;
  stream.addEventListener("station", (event) => {
    record = JSON.parse(event.data);
    heard(record.now);
    if (record.answer) {
      const at = performance.now() - 1000 * record.answer.age_s;
      answerFrom = { id: record.answer.inspection_id, at: record.answer.inspection_id === answerFrom.id ? Math.min(at, answerFrom.at) : at };
    }
    show();
  });
  stream.addEventListener("beat", (event) => {
    const beat = JSON.parse(event.data);
    if (record) record.worker_silent_s = beat.worker_silent_s;
    heard(beat.now);
  });
  // after an error the browser may give up for good (any answer but 200): the stream is then made anew
  stream.addEventListener("error", () => { if (stream.readyState === EventSource.CLOSED) retryAt = performance.now() + RETRY_MS; });
}

function heard(now) {
  heardAt = performance.now();
  serverAhead = Date.parse(now) - heardAt;
}

const connected = () => heardAt !== null && performance.now() - heardAt < SILENT_AFTER_MS;
const age = (answer) => Math.max(since(answer.finished_at), (performance.now() - answerFrom.at) / 1000); // clocks jump
const since = (iso) => (performance.now() + serverAhead - Date.parse(iso)) / 1000;

function tick() {
  if (!connected() && performance.now() > retryAt) connect();
  show();
}

function state() {
  if (!connected()) return heardAt === null && performance.now() < SILENT_AFTER_MS ? "connecting" : "lost";
  return record ? record.state : "connecting";
}

const NOTICES = {
  connecting: ["CONNECTING", "", ""],
  lost: ["NO CONNECTION", "This page cannot hear the station: nothing it showed before counts", "Wait; if it stays grey, call plant IT"],
  trouble: ["CANNOT MEASURE", "", "Set the shell aside; call plant IT"],
  stopped: ["MEASURING HAS STOPPED", "Pictures are not being looked at, so there is no answer for this shell", "Set the shell aside; call plant IT"],
  measuring: ["MEASURING", "", ""],
  interrupted: ["LOOK AGAIN", "", "Wait for its answer, or look at it again"],
  changed: ["CHANGED OVER", "", "Put in the first shell of it"],
  waiting: ["WAITING FOR THE FIRST SHELL", "No shell has been measured here today", ""],
  next: ["WAITING FOR THE NEXT SHELL", "The last answer is too old to be about what lies here: it is in the list", ""],
};

let shown = ""; // what the board was drawn from, so that a tick only touches what ticks

function show() {
  const now = state();
  const answer = now === "answer" ? record.answer : null;
  const old = answer !== null && age(answer) > record.old_after_s;
  const drawn = JSON.stringify([now, old, now === "lost" || now === "connecting" ? null : { ...record, now: "", worker_silent_s: null, answer: answer && { ...answer, age_s: 0 } }]);
  if (drawn !== shown) {
    shown = drawn;
    board.dataset.state = now;
    board.toggleAttribute("data-old", old);
    board.toggleAttribute("data-unread", now === "trouble" && !record.today.length); // then nothing of the block is known
    if (answer) showAnswer(answer); else showNotice(now);
    if (now !== "lost" && now !== "connecting") showBlock();
    fit();
  }
  const measured = now === "measuring" && record.measuring_since ? ` ${Math.floor(since(record.measuring_since))} s` : "";
  part("age").textContent = answer ? (old ? `OLD: ${ageWords(age(answer))}` : ageWords(age(answer))) : measured;
  if (record && record.gauge && part("gauge-age")) part("gauge-age").textContent = ageWords(since(record.gauge.measured_at));
  if (record?.message) part("refused").hidden = now === "interrupted" || since(record.message_at) > record.message_for_s;
}

function light(key) {
  for (const seat of document.querySelectorAll(".seat")) seat.classList.toggle("lit", seat.dataset.seat === key);
}

function showAnswer(answer) {
  light(answer.key);
  part("notice").firstElementChild.textContent = "";
  part("shell-id").textContent = answer.shell_id;
  part("term").textContent = answer.term;
  part("look-count").textContent = answer.look_number === 2 ? answer.look_words : ""; // from the third on it has a bar of its own
  part("sentence").textContent = answer.sentence;
  part("action").textContent = answer.action;
  part("details").href = `/inspections/${answer.inspection_id}`;
  part("details").hidden = false;
  part("picture").classList.toggle("absent", !answer.picture);
  if (answer.picture) {
    drawPicture(part("picture").querySelector(".view"), answer.picture, { place: answer.place });
  }
}

function showNotice(now) {
  light(null);
  const some = record?.today.some((one) => one.count > 0);
  const [word, sentence, action] = NOTICES[now === "waiting" && some ? "next" : now];
  part("notice").firstElementChild.textContent = word;
  part("shell-id").textContent = now === "measuring" ? record.measuring : "";
  part("term").textContent = "";
  part("look-count").textContent = "";
  const said = {
    measuring: () => (record.expected ? `as ${record.expected.title}, ${record.expected.words}` : ""),
    trouble: () => record.trouble,
    interrupted: () => record.message,
    changed: () => record.expected.changeover.words,
  };
  part("sentence").textContent = said[now] ? said[now]() : sentence;
  part("action").textContent = now === "waiting" && record && !record.expected ? "Choose the shell: press Change" : action;
  part("details").hidden = true;
  const drawing = now === "changed" && record.expected.picture_url;
  part("picture").classList.toggle("absent", !drawing);
  if (drawing) drawShell(part("picture").querySelector(".view"), drawing);
  else part("picture").querySelector(".view").replaceChildren();
}

// the drawing of the shell that must come next
function drawShell(view, url) {
  view.setAttribute("viewBox", "0 0 4 3");
  view.replaceChildren(svg("rect", { width: 4, height: 3, class: "ground" }), svg("image", { href: url, x: 0.1, y: 0.1, width: 3.8, height: 2.8 }));
}

function withShape(look, words) {
  const item = document.createElement("span");
  item.className = `is-${look.key}`;
  const shape = svg("svg", { class: "shape", "aria-hidden": "true" }, svg("use", { href: `#shape-${look.key}` }));
  item.append(shape, words);
  return item;
}

function lines(target, ...rows) {
  target.replaceChildren(...rows.filter(Boolean).flatMap(([words, kind], index) => {
    const item = document.createElement(kind === "minor" ? "span" : "b");
    if (kind === "minor") item.className = "minor";
    item.append(words);
    return index ? [document.createElement("br"), item] : [item];
  }));
}

function showBlock() {
  const expected = record.expected;
  const changeover = expected?.changeover;
  part("expected-cell").classList.toggle("open", Boolean(changeover) && !changeover.confirmed);
  const open = changeover && !changeover.confirmed;
  if (expected) lines(part("expected"), [open ? `${expected.title}: not confirmed` : expected.title], [changeover ? `${expected.words}; ${changeover.note}` : expected.words, "minor"]);
  else lines(part("expected"), ["Nobody has chosen yet"], ["Pictures give no result until then.", "minor"]);

  const attempts = record.answer && state() === "answer" ? record.answer.attempts : [];
  const said = attempts.map((one, at) => withShape(one, `${ordinal(at + 1)} ${one.word.toLowerCase()}${one.look_number === null ? ", not counted" : ""}`));
  part("attempts").replaceChildren(...said.slice(-3)); // "Why?" shows them all, side by side
  if (!attempts.length) part("attempts").textContent = "–";

  part("gauge").classList.toggle("warn", Boolean(record.gauge) && !record.gauge.good);
  if (record.gauge) {
    lines(part("gauge"), [record.gauge.words], [record.gauge.note, "minor"]);
    const age = document.createElement("span");
    age.id = "gauge-age";
    part("gauge").lastElementChild.append(" ", age);
  } else lines(part("gauge"), ["Not read yet"]);

  part("today").replaceChildren(...record.today.map((one) => {
    const item = withShape(one, String(one.count));
    item.title = one.word.toLowerCase();
    const word = document.createElement("span");
    word.className = "minor";
    word.textContent = one.word.toLowerCase();
    item.append(word);
    return item;
  }));

  const looks = state() === "answer" && record.answer.look_number >= 3;
  part("looks").hidden = !looks;
  part("looks").firstElementChild.textContent = looks ? record.answer.look_words.toUpperCase() : "";

  const reds = state() === "answer" ? record.answer.third_red : null;
  part("third-red").hidden = !reds;
  part("third-red").firstElementChild.textContent = reds ? reds.words : "";
  part("third-red").lastElementChild.textContent = reds ? reds.note : "";

  part("unconfirmed").hidden = !changeover || changeover.confirmed || !["answer", "measuring"].includes(state());
  part("unconfirmed").lastElementChild.textContent = changeover ? `${changeover.words}. None that fits has been measured yet. Is it the right one? If not, press Change.` : "";

  part("refused").hidden = !record.message || state() === "interrupted"; // there it is the sentence itself
  part("refused").firstElementChild.textContent = record.message_word;
  part("refused").lastElementChild.textContent = record.message;
}

function narrow(words, wide) {
  words.style.transform = "";
  if (words.scrollWidth > wide) words.style.transform = `scaleX(${(wide / words.scrollWidth).toFixed(3)})`;
}

// Long words make the type narrower, then the picture smaller, then the sentence shorter; capitals keep their height.
function fit() {
  const [say, sentence, picture] = [part("say"), part("sentence"), part("picture")];
  narrow(part("third-red").firstElementChild, part("third-red").lastElementChild.clientWidth);
  say.classList.remove("tight");
  picture.style.removeProperty("--share");
  sentence.style.removeProperty("--lines");
  const line = parseFloat(getComputedStyle(sentence).lineHeight);
  const room = () => say.clientHeight - part("action").offsetHeight - 0.15 * line; // gap between the two
  const over = () => sentence.offsetHeight > room() + 1;
  if (over()) say.classList.add("tight");
  for (const share of ["86%", "74%", "62%"]) if (over()) picture.style.setProperty("--share", share);
  if (over()) sentence.style.setProperty("--lines", Math.max(1, Math.floor(room() / line)));
  const word = document.querySelector(".seat.lit .word") ?? part("notice").firstElementChild;
  const box = word.parentElement;
  const shape = box.querySelector(".shape");
  narrow(word, 0.96 * box.clientWidth - (shape ? shape.getBoundingClientRect().width * 1.2 : 0));
}

for (const button of document.querySelectorAll(".step")) {
  button.addEventListener("click", () => {
    const field = button.parentElement.querySelector("input[type=number]");
    field.value = (Number(field.value || 20) + Number(button.dataset.step)).toFixed(1);
    field.closest(".tile").querySelector("input[type=radio]").checked = true;
  });
}
for (const field of document.querySelectorAll(".tile input[type=number]")) {
  field.addEventListener("focus", () => { field.closest(".tile").querySelector("input[type=radio]").checked = true; });
}

addEventListener("resize", fit);
document.fonts?.ready.then(fit);
document.addEventListener("visibilitychange", tick); // timers sleep in a hidden page: look before anybody does
addEventListener("pageshow", tick);
connect();
setInterval(tick, 250);
