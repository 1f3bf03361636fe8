// Says how old the page is, and offers the newer one; a page that is followed brings it by itself, until it is held still.
// Without this script the footer says when the page was made, and to reload it.
"use strict";
(() => {
  const said = document.getElementById("fresh");
  const live = document.getElementById("live");
  if (!said) return;
  let shown = said.dataset.at;
  let held = false;

  const key = (one) => one.getAttribute("href") || one.getAttribute("aria-label") || one.parentElement.id;

  // In place: who reads, has opened a list or is at some place by keyboard stays where he is.
  const renew = async () => {
    const answer = await fetch(location.href, { cache: "no-store", credentials: "same-origin" });
    if (!answer.ok || answer.redirected) throw new Error(String(answer.status));
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const newer = page.getElementById("live");
    const at = page.getElementById("fresh")?.dataset.at;
    if (!newer || !at) throw new Error("another page");
    const place = live.contains(document.activeElement) ? key(document.activeElement) : null;
    for (const open of live.querySelectorAll("details[open]")) page.getElementById(open.id)?.setAttribute("open", "");
    live.replaceChildren(...newer.childNodes);
    if (place) [...live.querySelectorAll("a, summary, [tabindex]")].find((one) => key(one) === place)?.focus({ preventScroll: true });
    shown = at;
    delete said.dataset.stale;
  };

  const tell = async () => {
    try {
      const answer = await fetch("/fresh", { cache: "no-store", credentials: "same-origin" });
      if (!answer.ok) throw new Error(String(answer.status));
      const { at } = await answer.json();
      if (live && !held && at && at !== shown) await renew();
      if (!at) said.textContent = "Not judged yet. Reload in a minute.";
      else if (at === shown) said.textContent = live && !held ? "This page follows by itself." : "stale" in said.dataset ? "Nothing newer was judged." : "This is the present state.";
      else {
        const minutes = Math.round((Date.parse(at) - Date.parse(shown)) / 60000);
        const age = shown && minutes > 0 ? `This page is ${minutes} min older than the latest judgement. ` : "A newer judgement is there. ";
        const link = document.createElement("a");
        link.href = location.href;
        link.textContent = "Show it.";
        said.replaceChildren(age, link);
      }
    } catch {
      said.textContent = "The box does not answer at the moment.";
    }
  };
  if (live) {
    const hold = document.createElement("button");
    hold.type = "button";
    hold.textContent = "Hold this page still";
    hold.setAttribute("aria-pressed", "false");
    hold.addEventListener("click", () => {
      held = !held;
      hold.setAttribute("aria-pressed", String(held));
      tell();
    });
    said.parentElement.after(hold);
  }
  tell();
  setInterval(tell, live ? 10000 : 30000);
})();
