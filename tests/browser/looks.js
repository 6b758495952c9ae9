// What a browser can tell of the looks of the entry form; each check returns what it found wrong.
({
  // WCAG 2.2, 1.4.3: contrast of every visible text against what is behind it.
  contrast() {
    const colour = (text) => {
      const numbers = text.match(/[\d.]+/g).map(Number);
      return numbers.length > 3 ? numbers : [...numbers, 1];
    };
    const luminance = (rgb) => {
      const [r, g, b] = rgb.map((x) => x / 255).map((x) => (x <= 0.03928 ? x / 12.92 : ((x + 0.055) / 1.055) ** 2.4));
      return 0.2126 * r + 0.7152 * g + 0.0722 * b;
    };
    const behind = (node) => {
      for (let n = node; n; n = n.parentElement) {
        const found = colour(getComputedStyle(n).backgroundColor);
        if (found[3] > 0.99) return found;
      }
      return [255, 255, 255, 1];
    };
    const wrong = [];
    for (const node of document.querySelectorAll(".grr-entry *")) {
      const text = [...node.childNodes].some((child) => child.nodeType === 3 && child.textContent.trim());
      if (!text || !node.checkVisibility() || node.closest(".unseen, .cover")) continue;
      const front = luminance(colour(getComputedStyle(node).color).slice(0, 3));
      const back = luminance(behind(node).slice(0, 3));
      const ratio = (Math.max(front, back) + 0.05) / (Math.min(front, back) + 0.05);
      if (ratio < 4.5) wrong.push(`${node.textContent.slice(0, 30)} ${ratio.toFixed(2)}`);
    }
    return wrong;
  },

  // A screen reader needs a name for everything that can be used.
  nameless() {
    return [...document.querySelectorAll(".grr-entry :is(button, input, select)")]
      .filter((node) => node.checkVisibility())
      .filter((node) => !(node.innerText?.trim() || node.ariaLabel || node.labels?.length))
      .map((node) => node.outerHTML.slice(0, 80));
  },

  // Words that stick out of their box or of the form.
  cut() {
    const form = document.querySelector(".grr-entry");
    const edge = form.getBoundingClientRect().right + 1;
    return [...form.querySelectorAll("*")]
      .filter((node) => node.checkVisibility() && !node.closest("svg, .unseen, .scroll"))
      .filter((node) => node.getBoundingClientRect().right > edge
        || (node.matches("button, h3, p, b, .part") && node.clientWidth > 0 && node.scrollWidth > node.clientWidth + 2))
      .map((node) => `${node.tagName}.${node.className}: ${node.textContent.slice(0, 40)}`);
  },

  // Whether an element is on the screen as a whole.
  inView(selector) {
    const box = document.querySelector(`.grr-entry ${selector}`).getBoundingClientRect();
    const page = document.querySelector(".jp-WindowedPanel-outer, .jp-Notebook").getBoundingClientRect();
    return box.top >= page.top - 1 && box.bottom <= page.bottom + 1;
  },
})
