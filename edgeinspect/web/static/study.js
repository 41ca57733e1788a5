// How far a study is, every second while it is measured; its results anew when it ends, and now and then before.
"use strict";
const box = document.getElementById("standing");
const here = `/tune/method/${box.dataset.study}`;
const busy = (word) => word === "waiting" || word === "measuring";
let turns = 0;

async function results() {
  const asked = new URLSearchParams(location.search);
  asked.set("part", "results");
  const answer = await fetch(`${here}?${asked}`);
  if (answer.ok) document.getElementById("results").innerHTML = await answer.text();
}

function show(now) {
  box.querySelector("progress").value = now.done;
  box.querySelector(".done").textContent = now.done;
  box.querySelector(".left").textContent = now.left_s === null ? "" : `, about ${Math.max(1, Math.round(now.left_s))} s left`;
  box.querySelector(".why").textContent = now.why;
  box.querySelector(".state b").textContent = now.word === "measuring" ? "Measuring" : "Begins";
}

async function look() {
  try {
    const answer = await fetch(`${here}/progress`);
    const now = await answer.json();
    if (!answer.ok) throw new Error("no answer");
    if (!busy(now.word)) {
      location.reload(); // other buttons, other words
      return;
    }
    show(now);
    turns += 1;
    if (turns % 5 === 0) await results();
  } catch {
    box.querySelector(".why").textContent = "The station does not answer: this is how far it was.";
  }
  setTimeout(look, 1000);
}

if (busy(box.dataset.word)) setTimeout(look, 500);
