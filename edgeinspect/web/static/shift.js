// The shift that runs now is counted anew each minute, under the reader's eyes: place and focus on the page stay.
const EACH_S = 60;

setInterval(async () => {
  const main = document.querySelector("main");
  if (document.hidden || main.contains(document.activeElement)) return;
  const answer = await fetch(location.href, { headers: { accept: "text/html" } }).catch(() => null);
  if (!answer?.ok) return; // the page keeps what it said; each count has its time beside it
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelector("main");
  main.replaceChildren(...fresh.childNodes);
}, 1000 * EACH_S);
