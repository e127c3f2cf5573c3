/* What of the page that is shown can't be seen or read; each function returns sentences. */

const shownName = (each) => `${each.tagName.toLowerCase()}.${each.className.baseVal ?? each.className} ` +
  each.textContent.trim().slice(0, 30);

/** What stands beyond the edge, or has no room in its own box. */
function clipped() {
  const found = [], root = document.documentElement, wide = root.clientWidth;
  const left = "script, style, .u-over, .u-select, details:not([open]) > :not(summary)";
  if (root.scrollWidth > wide) found.push(`the page itself: ${root.scrollWidth} of ${wide}`);
  for (const each of document.querySelectorAll("body *")) {
    const box = each.getBoundingClientRect();
    if (!box.width || !box.height || each.closest(left)) continue;
    if (box.right > wide + 1 || box.left < -1) found.push(`beyond the edge: ${shownName(each)}`);
    if (getComputedStyle(each).overflowX !== "visible" && each.scrollWidth > each.clientWidth + 1) {
      found.push(`${each.scrollWidth} in ${each.clientWidth}: ${shownName(each)}`);
    }
  }
  return found;
}

/** Texts that are shown smaller than so many pixels, but for the marks of sources beside a fact. */
function tiny(least) {
  const found = new Set(), texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let text; (text = texts.nextNode());) {
    const holder = text.parentElement;
    if (!text.data.trim() || holder.closest("script, style, sup") || !holder.getClientRects().length) continue;
    const scale = holder instanceof SVGGraphicsElement ? Math.abs(holder.getScreenCTM().a) || 1 : 1;
    const size = parseFloat(getComputedStyle(holder).fontSize) * scale;
    if (size < least) found.add(`${size.toFixed(1)} pixels: ${shownName(holder)}`);
  }
  return [...found];
}

/** Texts with less contrast to what is behind them; formulas of WCAG 2.2, "contrast ratio" and "relative luminance". */
function faint(least) {
  const canvas = document.createElement("canvas").getContext("2d", { willReadFrequently: true });
  const rgba = (text) => {
    canvas.clearRect(0, 0, 1, 1);
    canvas.fillStyle = text;
    canvas.fillRect(0, 0, 1, 1);
    return canvas.getImageData(0, 0, 1, 1).data;
  };
  const part = (each) => (each <= 0.04045 ? each / 12.92 : ((each + 0.055) / 1.055) ** 2.4);
  const light = ([r, g, b]) => 0.2126 * part(r / 255) + 0.7152 * part(g / 255) + 0.0722 * part(b / 255);
  const behind = (each) => {
    for (; each; each = each.parentElement) {
      const found = rgba(getComputedStyle(each).backgroundColor);
      if (found[3] > 250) return found;
    }
    return [255, 255, 255, 255];
  };
  const found = new Set(), texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let text; (text = texts.nextNode());) {
    const holder = text.parentElement;
    if (!text.data.trim() || holder.closest("script, style") || !holder.getClientRects().length) continue;
    const style = getComputedStyle(holder), ink = rgba(holder.closest("svg") ? style.fill : style.color);
    const [low, high] = [light(ink), light(behind(holder))].sort((a, b) => a - b);
    const contrast = (high + 0.05) / (low + 0.05);
    if (contrast < least) found.add(`contrast ${contrast.toFixed(2)}: ${shownName(holder)}`);
  }
  return [...found];
}
