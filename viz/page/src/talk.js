// Talk mode: one topic of the briefing fills the screen; the next at a key, a tap or a button.

/** Makes the buttons of the talk work. Works without the model too. */
export function talk() {
  const begin = document.getElementById("talk");
  const topics = [...document.querySelectorAll("[data-topic]")];
  const bar = document.getElementById("talk-bar");
  if (!begin || topics.length === 0) return;
  begin.hidden = false;
  let at = -1;

  function show(number) {
    at = Math.min(topics.length - 1, Math.max(0, number));
    document.body.classList.add("talk");
    bar.hidden = false;
    topics.forEach((topic, index) => topic.classList.toggle("now", index === at));
    document.getElementById("talk-place").textContent = `${at + 1} of ${topics.length}`;
    document.getElementById("talk-back").disabled = at === 0;
    document.getElementById("talk-on").disabled = at === topics.length - 1;
    scrollTo(0, 0);
    const head = topics[at].querySelector("h2");
    head.tabIndex = -1;
    head.focus({ preventScroll: true });
  }

  function end() {
    document.body.classList.remove("talk");
    bar.hidden = true;
    at = -1;
    begin.focus();
  }

  begin.addEventListener("click", () => show(0));
  document.getElementById("talk-back").addEventListener("click", () => show(at - 1));
  document.getElementById("talk-on").addEventListener("click", () => show(at + 1));
  document.getElementById("talk-end").addEventListener("click", end);
  document.addEventListener("keydown", (event) => {
    if (at < 0 || event.target.closest("input, select")) return;
    if (event.key === "ArrowRight" || event.key === "PageDown") show(at + 1);
    else if (event.key === "ArrowLeft" || event.key === "PageUp") show(at - 1);
    else if (event.key === "Escape") end();
    else return;
    event.preventDefault();
  });
}
