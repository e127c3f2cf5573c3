"use strict";
(() => {
  /* A space in what is typed matches an underscore, and words may come in any order. */
  const plain = (text) => text.toLowerCase().replace(/[_\s]+/g, " ");
  const field = document.getElementById("search"), found = document.getElementById("found");
  const rows = [...document.querySelectorAll("main table.cards > tbody > tr, main li")].filter((row) => !row.closest(".message"));
  const places = [...rows, ...document.querySelectorAll("main .message")];
  const texts = places.map((place) => plain(place.textContent));
  field.addEventListener("input", () => {
    const words = plain(field.value).trim().split(" ").filter(Boolean);
    let count = 0;
    places.forEach((place, at) => {
      const hit = words.every((word) => texts[at].includes(word));
      place.hidden = !hit;
      count += hit;
    });
    found.textContent = words.length ? `${count} of ${places.length} places` : "";
  });
  /* Paper is white. */
  addEventListener("beforeprint", () => { document.documentElement.dataset.theme = "light"; });
  addEventListener("afterprint", () => { delete document.documentElement.dataset.theme; });
})();
