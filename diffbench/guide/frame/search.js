// All words must stand in a section; headings count more than texts. Words come from the page itself, never as HTML.
(() => {
  const narrow = matchMedia("(max-width: 62rem)");
  const topics = document.querySelector(".topics details");
  const fold = () => { topics.open = !narrow.matches; };
  narrow.addEventListener("change", fold);
  fold();
  const field = document.getElementById("guide-find");
  const found = document.getElementById("guide-found");
  const plain = (text) => text.normalize("NFKD").replace(/[\u0300-\u036f]/g, "").toLowerCase();
  const sections = SECTIONS.map((s) => ({ ...s, plainHead: plain(s.page + " " + s.head), plainText: plain(s.text) }));
  const count = (text, word) => text.split(word).length - 1;
  const score = (s, words) => {
    let sum = 0;
    for (const word of words) {
      const one = 20 * count(s.plainHead, word) + Math.min(count(s.plainText, word), 5);
      if (!one) return 0;
      sum += one;
    }
    return sum + (plain(s.head) === words.join(" ") ? 500 : 0);
  };
  const marked = (parent, text, words) => {
    const low = text.toLowerCase();
    let at = 0;
    while (at < text.length) {
      const hits = words.map((w) => [low.indexOf(w, at), w.length]).filter(([i]) => i >= 0);
      if (!hits.length) break;
      const [i, length] = hits.reduce((a, b) => (b[0] < a[0] ? b : a));
      parent.append(text.slice(at, i));
      const mark = document.createElement("mark");
      mark.textContent = text.slice(i, i + length);
      parent.append(mark);
      at = i + length;
    }
    parent.append(text.slice(at));
  };
  const show = () => {
    const words = plain(field.value).split(/\s+/).filter((w) => w.length > 1);
    found.replaceChildren();
    found.hidden = !words.length;
    if (!words.length) return;
    const best = sections.map((s) => [score(s, words), s]).filter(([n]) => n)
      .sort((a, b) => b[0] - a[0]).slice(0, 20);
    const told = document.createElement("p");
    told.textContent = best.length ? `${best.length} ${best.length > 1 ? "places" : "place"}` : "Nothing has all these words.";
    const list = document.createElement("ol");
    for (const [, s] of best) {
      const item = document.createElement("li");
      const link = document.createElement("a");
      link.href = s.at;
      marked(link, s.head, words);
      const of = document.createElement("span");
      of.textContent = s.page === s.head ? "" : ` – ${s.page}`;
      const near = Math.max(0, Math.min(...words.map((w) => s.plainText.indexOf(w)).filter((i) => i >= 0), s.text.length) - 60);
      const snippet = document.createElement("p");
      marked(snippet, (near ? "… " : "") + s.text.slice(near, near + 200) + (near + 200 < s.text.length ? " …" : ""), words);
      item.append(link, of, snippet);
      list.append(item);
    }
    found.append(told, list);
  };
  field.addEventListener("input", show);
  field.addEventListener("keydown", (event) => {
    if (event.key === "Escape") { field.value = ""; show(); }
    if (event.key === "Enter") found.querySelector("a")?.click();
  });
  found.addEventListener("click", (event) => { if (event.target.closest("a")) { field.value = ""; show(); } });
})();
