// What stands before the script of each form.

const ON_A_PAGE = document.body.dataset.voila !== undefined;
// A page has one heading above a form, a notebook has two.
const [HEADING, UNDER_HEADING] = ON_A_PAGE ? ["h2", "h3"] : ["h3", "h4"];

// Make an element with attributes, listeners (onclick ...) and children.
function h(tag, attributes = {}, ...children) {
  const node = document.createElement(tag);
  for (const [name, value] of Object.entries(attributes)) {
    if (name.startsWith("on")) node.addEventListener(name.slice(2), value);
    else if (value === true) node.setAttribute(name, "");
    else if (value !== false && value != null) node.setAttribute(name, value);
  }
  node.append(...children.flat(Infinity).filter((child) => child != null && child !== false));
  return node;
}
