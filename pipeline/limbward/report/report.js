// Shows only the frames whose text holds all the words and whose phase is the one chosen.
(() => {
  "use strict";
  const form = document.getElementById("filter");
  if (!form) return;
  const words = document.getElementById("words");
  const phase = document.getElementById("phase");
  const shown = document.getElementById("shown");
  const cards = [...document.querySelectorAll(".card")].map((card) => ({
    card,
    phase: card.dataset.phase,
    text: card.textContent.toLowerCase(),
  }));
  const apply = () => {
    const wanted = words.value.toLowerCase().split(/\s+/).filter(Boolean);
    let count = 0;
    for (const c of cards) {
      const fits = (!phase.value || phase.value === c.phase
        || (phase.value === "merged" && c.card.dataset.used === "yes"))
        && wanted.every((word) => c.text.includes(word));
      c.card.hidden = !fits;
      if (fits) count += 1;
    }
    shown.textContent = `${count} of ${cards.length} files`;
  };
  form.hidden = false;
  form.addEventListener("input", apply);
  form.addEventListener("submit", (event) => event.preventDefault());
  // A mark of a plot leads to its frame, also when the filter hides it.
  window.addEventListener("hashchange", () => {
    const target = document.getElementById(location.hash.slice(1));
    if (target && target.hidden) {
      words.value = "";
      phase.value = "";
      apply();
      target.scrollIntoView();
    }
  });
  apply();
})();
