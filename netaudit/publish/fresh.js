// Says how old the page is, and offers the newer one. Without this script the footer says when the page was made.
"use strict";
(() => {
  const said = document.getElementById("fresh");
  const shown = said?.dataset.at;
  if (!said) return;
  const tell = async () => {
    try {
      const answer = await fetch("/fresh", { cache: "no-store", credentials: "same-origin" });
      if (!answer.ok) throw new Error(String(answer.status));
      const { at } = await answer.json();
      if (!at || at === shown) said.textContent = "This is the present state.";
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
  tell();
  setInterval(tell, 30000);
})();
