// A table of many studies, dropped, picked or pasted; Python keeps it and says what is wrong with it.

export default {
  render({ model, el }) {
    let sent = null;
    let count = 0;
    const said = h("p", { role: "status", class: "told" });
    const send = (name, bytes) => {
      let text = "";
      for (const byte of bytes) text += String.fromCharCode(byte);
      sent = `${++count}`;
      said.textContent = "working …";
      model.send({ id: sent, name, content: btoa(text) });
    };
    const take = async (file) => file && send(file.name, new Uint8Array(await file.arrayBuffer()));
    const hear = (message) => {
      if (message.id !== sent) return;
      if (message.said) { said.textContent = message.said; said.setAttribute("role", "alert"); return; }
      const page = new URL(location.href);
      page.searchParams.set("table", message.table);
      if (document.body.dataset.voila !== undefined) location.href = page.href;
      else said.textContent = `Kept as tables/${message.table}.`;
    };
    model.on("msg:custom", hear);
    const file = h("input", { type: "file", accept: ".csv,.txt,.tsv,.xlsx,.ods,.parquet", "aria-label": "A table of many studies", onchange: () => take(file.files[0]).then(() => { file.value = ""; }) });
    const paste = h("textarea", { rows: 2, "aria-label": "Paste a table with its headings", placeholder: "… or paste it here, with its headings",
      onpaste: (event) => { const text = event.clipboardData.getData("text/plain"); if (text.trim()) send("pasted.tsv", new TextEncoder().encode(text)); } });
    const root = h("section", { class: "grr-study grr-drop", "aria-label": "A table of many studies",
      ondragover: (event) => event.preventDefault(), ondrop: (event) => { event.preventDefault(); take(event.dataTransfer.files[0]); } },
      h("h4", {}, "A table of many studies"),
      h("p", {}, "Drop a file: columns study, part, operator, trial, reading; lower, upper and resolution where known."),
      h("div", { class: "line" }, file, paste), said);
    root.addEventListener("keydown", (event) => event.stopPropagation());
    el.append(root);
    return () => model.off("msg:custom", hear);
  },
};
