// A moved slider or a changed number asks for the results anew; the form stays as it is. Without this the button does it.
"use strict";
const form = document.querySelector("form.tuning");
const results = document.getElementById("results");
let waiting = 0;
let asking = false;
let again = false;

function asked() {
  const given = new URLSearchParams();
  for (const [name, value] of new FormData(form)) if (value !== "") given.set(name, value);
  return given;
}

async function show() {
  // One question at a time, and then the newest: the station would go on working at every one that is given up.
  again = asking;
  if (asking) return;
  asking = true;
  const given = asked();
  history.replaceState(null, "", `/tune?${given}`);
  given.set("part", "results");
  results.setAttribute("aria-busy", "true");
  try {
    const answer = await fetch(`/tune?${given}`, { signal: AbortSignal.timeout(15_000) });
    if (answer.ok) {
      results.innerHTML = await answer.text();
    } else {
      const told = await answer.json();
      results.replaceChildren(...told.error.problems.map((sentence) => {
        const line = document.createElement("p");
        line.className = "lead problem";
        line.textContent = sentence;
        return line;
      }));
    }
  } catch {
    results.textContent = "The station does not answer: these results are of before.";
  }
  asking = false;
  if (again) show();
  else results.removeAttribute("aria-busy");
}

function soon() {
  clearTimeout(waiting);
  waiting = setTimeout(show, 60);
}

for (const slide of form.querySelectorAll("[data-of]")) {
  const number = form.elements[slide.dataset.of];
  slide.addEventListener("input", () => { number.value = Number(slide.value).toFixed(2); soon(); });
  number.addEventListener("input", () => { slide.value = number.value; });
}
form.addEventListener("input", (event) => {
  const name = event.target.name;
  if (name === "shell" || name === "variant" || name === "of") {
    // Another limit has other numbers: the whole page anew, with the limits in force.
    for (const field of ["lower", "upper", "guard_factor"]) if (form.elements[field]) form.elements[field].value = "";
    location.assign(`/tune?${asked()}`);
  } else if (event.target.dataset.of === undefined) {
    soon();
  }
});
form.addEventListener("submit", (event) => { event.preventDefault(); show(); });
