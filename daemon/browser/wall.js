// Looks at the wall it runs in and returns what would keep somebody 3 m away from reading it. Called with the least height
// of letters and of the verb's, CSS pixels, and the least contrast.
(least, leastVerb, leastContrast) => {
  const wrong = [], all = (q, from = document) => [...from.querySelectorAll(q)];
  const seen = (e) => e.checkVisibility({ opacityProperty: true, visibilityProperty: true }) && !e.closest('.unseen');
  const name = (e) => e.tagName.toLowerCase() + '.' + (e.getAttribute('class') || '').replace(/ /g, '.') + ' "' + e.textContent.replace(/\s+/g, ' ').trim().slice(0, 50) + '"';
  const box = (r) => [r.left, r.top, r.right, r.bottom].map((v) => Math.round(v)).join(' ');
  const root = document.scrollingElement;
  if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) wrong.push('scroll: the page is ' + root.scrollWidth + 'x' + root.scrollHeight + ' on ' + innerWidth + 'x' + innerHeight);
  scrollTo(9, 9);
  if (scrollX || scrollY) wrong.push('scroll: it scrolls');
  // Letters: inside of the screen but for its margin, large enough, and not upon each other.
  const texts = [], walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  for (let n; (n = walk.nextNode());) if (n.data.trim() && seen(n.parentElement)) texts.push(n);
  const mx = innerWidth * 0.025 - 1, my = innerHeight * 0.025 - 1;
  const words = [];
  for (const n of texts) {
    const e = n.parentElement, r = document.createRange(), size = parseFloat(getComputedStyle(e).fontSize);
    r.selectNodeContents(n);
    for (const b of r.getClientRects()) {
      if (b.width < 1) continue;
      // The ink of a line is lower than the line: capital letters and what hangs below.
      const middle = (b.top + b.bottom) / 2, ink = { left: b.left, right: b.right, top: middle - 0.4 * size, bottom: middle + 0.4 * size, e };
      words.push(ink);
      if (ink.left < mx || ink.right > innerWidth - mx || ink.top < my || ink.bottom > innerHeight - my) wrong.push('margin: ' + name(e) + ' at ' + box(b));
      const s = e.closest('section')?.getBoundingClientRect();
      if (s && (ink.left < s.left - mx || ink.right > s.right + 1 || ink.top < s.top - my || ink.bottom > s.bottom + 1)) wrong.push('cut off: ' + name(e) + ' at ' + box(b) + ' leaves its place ' + box(s));
      const band = e.closest('.band')?.getBoundingClientRect();
      if (band && (ink.right > band.right || ink.bottom > band.bottom || ink.top < band.top)) wrong.push('cut off: ' + name(e) + ' at ' + box(b) + ' leaves its band ' + box(band));
    }
    const want = e.matches('.verb') ? leastVerb : least;
    if (size < want - 0.05) wrong.push('small: ' + name(e) + ' is ' + size.toFixed(1) + ', want ' + want);
  }
  for (let i = 0; i < words.length; i++) for (let k = i + 1; k < words.length; k++) {
    const a = words[i], b = words[k];
    if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1) wrong.push('overlap: ' + name(a.e) + ' and ' + name(b.e));
  }
  const solid = all('.band,.numbers,.below,.old,.note,footer').filter(seen);
  for (const s of solid) for (const o of solid) if (s !== o && s.compareDocumentPosition(o) & 4) {
    const a = s.getBoundingClientRect(), b = o.getBoundingClientRect();
    if (Math.min(a.right, b.right) - Math.max(a.left, b.left) > 1 && Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top) > 1) wrong.push('overlap: ' + name(s) + ' and ' + name(o));
  }
  // Contrast: every ground is one colour.
  const rgba = (css) => (css.match(/[\d.]+/g) || []).map(Number);
  const bright = (c) => { const [r, g, b] = c.slice(0, 3).map((v) => ((v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4)); return 0.2126 * r + 0.7152 * g + 0.0722 * b; };
  const contrast = (a, b) => { const [x, y] = [bright(a), bright(b)].sort((p, q) => q - p); return (x + 0.05) / (y + 0.05); };
  const ground = (e) => { for (let x = e; x; x = x.parentElement) { const c = rgba(getComputedStyle(x).backgroundColor); if (c.length === 3 || c[3] === 1) return c; if (c[3] > 0) return null; } return null; };
  let lowest = 99;
  for (const e of new Set(texts.map((n) => n.parentElement))) {
    for (let x = e; x; x = x.parentElement) if (getComputedStyle(x).opacity !== '1') wrong.push('contrast: ' + name(e) + ' is seen through');
    const g = ground(e);
    const c = g ? contrast(rgba(getComputedStyle(e).color), g) : 0;
    lowest = Math.min(lowest, c);
    if (c < leastContrast) wrong.push('contrast: ' + name(e) + ' is ' + c.toFixed(2) + ', want ' + leastContrast);
  }
  for (const e of all('svg *').filter(seen)) {
    const st = getComputedStyle(e), g = ground(e.closest('svg').parentElement);
    const c = contrast(rgba(st.fill === 'none' ? st.stroke : st.fill), g);
    if (c < 3) wrong.push('contrast: ' + e.tagName + ' in a drawing is ' + c.toFixed(2) + ', want 3');
  }
  // Every place has one band, with a sign, one verb and a name.
  for (const s of all('section')) {
    const bands = all('.band', s).filter(seen);
    if (bands.length !== 1) wrong.push('band: ' + s.id + ' shows ' + bands.length);
    for (const b of bands) for (const q of ['.sign', '.verb', '.name']) if (all(q, b).filter(seen).length !== 1) wrong.push('band: ' + s.id + ' has no ' + q);
    if (bands.length === 1) {
      const r = bands[0].getBoundingClientRect(), whole = document.querySelectorAll('section').length === 1 ? innerWidth : s.getBoundingClientRect().width;
      if (r.width < whole - 1) wrong.push('band: ' + s.id + ' is ' + r.width + ' wide, want ' + whole);
    }
  }
  if (all('form,button,input').length) wrong.push('commands: there is something to press');
  return { wrong: [...new Set(wrong)], lowest, letters: Math.min(...[...new Set(texts.map((n) => n.parentElement))].map((e) => parseFloat(getComputedStyle(e).fontSize))) };
}
