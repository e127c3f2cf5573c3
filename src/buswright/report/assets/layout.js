"use strict";
(() => {
  /* A space in what is typed matches an underscore, and words may come in any order. */
  const plain = (text) => text.toLowerCase().replace(/[_\s]+/g, " ");
  const field = document.getElementById("search"), found = document.getElementById("found");
  const rows = [...document.querySelectorAll("main table.cards > tbody > tr, main li")].filter((row) => !row.closest(".message"));
  const places = [...rows, ...document.querySelectorAll("main .message")];
  const texts = places.map((place) => plain(place.textContent));
  /* What holds no hit is out of the way: sections, and tables within them. */
  const holders = [...document.querySelectorAll("main section, main section > .wide")].map((holder) => [holder, places.filter((place) => holder.contains(place))]);
  field.addEventListener("input", () => {
    const words = plain(field.value).trim().split(" ").filter(Boolean);
    let count = 0;
    places.forEach((place, at) => {
      const hit = words.every((word) => texts[at].includes(word));
      place.hidden = !hit;
      count += hit;
    });
    for (const [holder, own] of holders) holder.hidden = words.length > 0 && own.length > 0 && own.every((place) => place.hidden);
    found.textContent = words.length ? `${count} of ${places.length} places` : "";
  });
  /* Paper is white. */
  addEventListener("beforeprint", () => { document.documentElement.dataset.theme = "light"; });
  addEventListener("afterprint", () => { delete document.documentElement.dataset.theme; });
})();
