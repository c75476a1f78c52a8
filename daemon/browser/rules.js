// Looks at the page it runs in and returns what would keep somebody from using
// it, as "rule: where: what". Criteria are those of WCAG 2.2; its numbers are in
// brackets. Text that is not shown is not judged. Called with the least height of
// what is pressed, px, 0 for none.
(leastHighPX) => {
  const wrong = [];
  const all = (q, from = document) => [...from.querySelectorAll(q)];
  const words = (e) => (e.textContent || '').replace(/\s+/g, ' ').trim();
  const seen = (e) => e.checkVisibility({ opacityProperty: true, visibilityProperty: true });
  const where = (e) => {
    let s = e.tagName.toLowerCase();
    if (e.id) s += '#' + e.id;
    const c = e.getAttribute('class');
    if (c) s += '.' + c.trim().split(/\s+/).join('.');
    const n = e.getAttribute('name');
    if (n) s += '[name=' + n + ']';
    return s + ' "' + words(e).slice(0, 40) + '"';
  };
  const say = (rule, e, what) => wrong.push(rule + ': ' + (e ? where(e) : 'page') + ': ' + what);

  // The page as a whole (2.4.2, 3.1.1, 1.4.4, 1.4.10).
  if (!/^en\b/.test(document.documentElement.lang)) say('language', null, 'html has no lang of its words');
  if (!document.title.trim()) say('title', null, 'it has none');
  const view = document.querySelector('meta[name=viewport]')?.content || '';
  if (!/width=device-width/.test(view)) say('viewport', null, 'it is not as wide as the screen');
  if (/maximum-scale|user-scalable/.test(view)) say('viewport', null, 'it forbids to zoom');
  const root = document.scrollingElement;
  if (root.scrollWidth > innerWidth) {
    say('sideways', null, 'it is ' + root.scrollWidth + ' px wide on a screen of ' + innerWidth);
    for (const e of all('body *')) {
      if (seen(e) && e.getBoundingClientRect().right + scrollX > innerWidth + 1 && !e.closest('svg *')) { say('sideways', e, 'it sticks out'); break; }
    }
  }

  // Headings and landmarks (1.3.1, 2.4.6).
  const heads = all('h1,h2,h3,h4,h5,h6').filter(seen);
  if (heads.filter((h) => h.tagName === 'H1').length !== 1) say('headings', null, 'it has ' + heads.filter((h) => h.tagName === 'H1').length + ' of the first level');
  let level = 0;
  for (const h of heads) {
    const now = +h.tagName[1];
    if (now > level + 1) say('headings', h, 'level ' + now + ' follows ' + level);
    if (!words(h)) say('headings', h, 'it is empty');
    level = now;
  }
  if (all('main').filter(seen).length !== 1) say('landmarks', null, 'it has not one main part');
  const lands = 'main,header,footer,nav,aside,[role=banner],[role=contentinfo],[role=status],[role=alert],dialog';
  const walk = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  const texts = [];
  for (let n; (n = walk.nextNode());) {
    const e = n.parentElement;
    if (!n.data.trim() || e.closest('script,style,noscript,title,desc,template') || !seen(e)) continue;
    texts.push(n);
    if (!e.closest(lands) && !e.closest('a[href^="#"]')) say('landmarks', e, 'it stands in none');
  }
  for (const q of ['nav', 'aside', 'section']) {
    const list = all(q).filter(seen);
    for (const e of list) if (q !== 'section' && list.length > 1 && !e.ariaLabel && !e.getAttribute('aria-labelledby')) say('landmarks', e, 'one of several without a name');
  }

  // Names that point somewhere (4.1.1 of old, 1.3.1).
  const ids = new Map();
  for (const e of all('[id]')) {
    if (ids.has(e.id)) say('ids', e, 'the id is given twice');
    ids.set(e.id, e);
  }
  for (const a of ['for', 'aria-labelledby', 'aria-describedby', 'aria-controls', 'aria-errormessage', 'list', 'form']) {
    for (const e of all('[' + a + ']')) {
      for (const id of e.getAttribute(a).split(/\s+/)) if (id && !ids.has(id)) say('ids', e, a + ' names ' + id + ', which is not there');
    }
  }
  for (const e of all('a[href^="#"]')) {
    const id = decodeURIComponent(e.getAttribute('href').slice(1));
    if (id && !ids.has(id)) say('ids', e, 'it leads to ' + id + ', which is not there');
  }

  // What is filled in (1.3.1, 3.3.1, 3.3.2, 4.1.2).
  for (const e of all('input,select,textarea')) {
    if (['hidden', 'submit', 'button', 'reset', 'image'].includes(e.type)) continue;
    const tied = [...(e.labels || [])].some((l) => words(l)) || e.ariaLabel || e.getAttribute('aria-labelledby');
    if (!tied) say('labels', e, 'no label is tied to it');
    if (e.getAttribute('aria-invalid') === 'true') {
      const said = (e.getAttribute('aria-describedby') || '').split(/\s+/).map((id) => ids.get(id)).filter((x) => x && seen(x) && words(x));
      if (!said.length) say('mistakes', e, 'it is marked as wrong and nothing beside it says why');
    }
    if (e.type === 'radio' && !e.closest('fieldset,[role=radiogroup]')) say('labels', e, 'a choice without a group');
  }
  for (const f of all('fieldset')) if (seen(f) && !words(f.querySelector('legend') || f) ) say('labels', f, 'a group without a legend');
  for (const f of all('fieldset')) if (seen(f) && !f.querySelector(':scope > legend') && !f.ariaLabel && !f.getAttribute('aria-labelledby')) say('labels', f, 'a group without a legend');
  for (const f of all('form')) if (!f.querySelector('button:not([type=button]),input[type=submit]')) say('forms', f, 'nothing sends it');

  // What is pressed (2.1.1, 2.4.3, 2.4.4, 2.5.8, 4.1.2).
  const pressed = 'a[href],button,input:not([type=hidden]),select,textarea,summary,[role=button],[tabindex]:not([tabindex^="-"])';
  for (const e of all('[tabindex]')) if (+e.getAttribute('tabindex') > 0) say('tab order', e, 'it jumps the order');
  for (const e of all('a:not([href])')) say('links', e, 'it leads nowhere');
  for (const e of all('a[target]')) say('links', e, 'it opens another window');
  for (const e of all('[onclick],[role=button]:not(button)')) say('controls', e, 'it is pressed and is no button');
  for (const e of all('[aria-hidden=true]')) if (e.matches(pressed) || e.querySelector(pressed)) say('hidden', e, 'it is hidden from some and can be reached by them');
  if (leastHighPX) {
    for (const e of all(pressed)) {
      if (!seen(e) || e.matches('main,[tabindex]:not(a,button,input,select,textarea,summary)')) continue;
      let r = e.getBoundingClientRect(), top = r.top, bottom = r.bottom;
      if (r.width <= 1 || r.right <= 0 || r.bottom + scrollY <= 0) continue; // put aside until it has the focus
      if (e.matches('a') && getComputedStyle(e).display === 'inline' && words(e.parentElement).length > words(e).length + 3) continue; // within a sentence
      for (const l of e.labels || []) if (e.matches('[type=checkbox],[type=radio]')) { const b = l.getBoundingClientRect(); top = Math.min(top, b.top); bottom = Math.max(bottom, b.bottom); }
      if (bottom - top < leastHighPX - 0.5) say('targets', e, 'it is ' + Math.round(bottom - top) + ' px high, want ' + leastHighPX);
    }
  }

  // Pictures and tables (1.1.1, 1.3.1).
  for (const e of all('img')) if (!e.hasAttribute('alt')) say('pictures', e, 'it has no text in its place');
  for (const e of all('svg')) {
    if (e.closest('[aria-hidden=true]') || !seen(e)) continue;
    if (e.getAttribute('role') !== 'img' || !(e.ariaLabel || words(e.querySelector('title') || document.createElement('i')))) say('pictures', e, 'it has no text in its place');
  }
  for (const e of all('table')) {
    if (!seen(e)) continue;
    if (!e.caption && !e.ariaLabel && !e.getAttribute('aria-labelledby')) say('tables', e, 'it has no name');
    const th = all('th', e);
    if (!th.length) say('tables', e, 'it has no headers');
    for (const h of th) { if (!words(h)) say('tables', h, 'an empty header'); if (!h.scope) say('tables', h, 'a header without scope'); }
    for (const r of all('tr', e)) if (!r.cells.length) say('tables', r, 'an empty row');
  }
  for (const e of all('li')) if (!e.parentElement.matches('ul,ol,menu')) say('lists', e, 'it is in no list');
  for (const e of all('ul,ol')) for (const c of e.children) if (c.tagName !== 'LI') say('lists', c, 'it is no entry of its list');
  for (const e of all('dl')) for (const c of e.children) if (!['DT', 'DD', 'DIV'].includes(c.tagName)) say('lists', c, 'it is no entry of its list');

  // What speaks by itself (4.1.3).
  const live = all('[aria-live],[role=status],[role=alert],[role=log]');
  for (const e of live) {
    const how = e.getAttribute('aria-live');
    if (how && !['polite', 'assertive', 'off'].includes(how)) say('live', e, 'aria-live is ' + how);
    if (how === 'off') continue;
    if (e.parentElement.closest('[aria-live]:not([aria-live=off]),[role=status],[role=alert],[role=log]')) say('live', e, 'it speaks inside of what speaks');
    if (words(e).length > 400) say('live', e, 'it would speak ' + words(e).length + ' characters');
    if (e.querySelector('svg,table,form')) say('live', e, 'it would speak a picture, a table or a form');
  }

  // Contrast (1.4.3, 1.4.11; of danger 1.4.6).
  const pen = Object.assign(document.createElement('canvas'), { width: 1, height: 1 }).getContext('2d', { willReadFrequently: true });
  const read = (css) => {
    pen.clearRect(0, 0, 1, 1);
    pen.fillStyle = css;
    pen.fillRect(0, 0, 1, 1);
    const [r, g, b, a] = pen.getImageData(0, 0, 1, 1).data;
    return [r, g, b, a / 255];
  };
  const over = (top, under) => {
    const a = top[3] + under[3] * (1 - top[3]);
    return a === 0 ? [0, 0, 0, 0] : [0, 1, 2].map((i) => (top[i] * top[3] + under[i] * under[3] * (1 - top[3])) / a).concat(a);
  };
  const bright = (c) => {
    const [r, g, b] = c.slice(0, 3).map((v) => ((v /= 255) <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4));
    return 0.2126 * r + 0.7152 * g + 0.0722 * b;
  };
  const contrast = (a, b) => {
    const [x, y] = [bright(a), bright(b)].sort((p, q) => q - p);
    return (x + 0.05) / (y + 0.05);
  };
  const shown = (c) => '#' + c.slice(0, 3).map((v) => Math.round(v).toString(16).padStart(2, '0')).join('');
  // The colour behind a place of an element, from the stack of what lies there.
  const behind = (e, x, y, with_self = true) => {
    const stack = document.elementsFromPoint(x, y);
    let at = stack.indexOf(e);
    if (at < 0) at = stack.findIndex((s) => s.contains(e));
    if (at < 0) return null;
    let c = [0, 0, 0, 0];
    for (const s of stack.slice(with_self && !e.closest('svg text') ? at : at + 1)) {
      const st = getComputedStyle(s);
      if (s.closest('svg') && s.tagName !== 'svg') {
        if (s.closest('text') || st.fill === 'none') continue;
        if (st.fill.startsWith('url')) return null;
        const f = read(st.fill);
        f[3] *= +st.fillOpacity * +st.opacity;
        c = over(c, f);
      } else {
        if (st.backgroundImage !== 'none' && !s.matches('select,input')) return null;
        c = over(c, read(st.backgroundColor));
      }
      if (c[3] > 0.995) return c;
    }
    return over(c, matchMedia('(prefers-color-scheme: dark)').matches && getComputedStyle(document.documentElement).colorScheme.includes('dark') ? [18, 18, 18, 1] : [255, 255, 255, 1]);
  };
  const faint = (e) => {
    let o = 1;
    for (let x = e; x; x = x.parentElement) o *= +getComputedStyle(x).opacity;
    return o;
  };
  const judge = (e, colour, sizePX, bold, x, y, what) => {
    const ground = behind(e, x, y);
    if (!ground && document.elementsFromPoint(x, y).indexOf(e) < 0) return; // out of the part that its box shows
    if (!ground) return say('contrast', e, 'what lies behind it is not known');
    const ink = read(colour);
    ink[3] *= faint(e);
    const is = contrast(over(ink, ground), ground), want = e.closest('.danger,.danger-text,.sign-danger') ? 7 : sizePX >= 24 || bold && sizePX >= 18.66 ? 3 : 4.5;
    if (is < want - 0.005) say('contrast', e, what + ' ' + shown(over(ink, ground)) + ' on ' + shown(ground) + ' is ' + is.toFixed(2) + ', want ' + want);
  };
  const here = (r) => {
    const x = r.left + r.width / 2, y = r.top + r.height / 2;
    return x >= 0 && y >= 0 && x < innerWidth - 1 && y < innerHeight - 1;
  };
  const scroll0 = [scrollX, scrollY];
  for (const n of texts) {
    const e = n.parentElement, range = document.createRange();
    range.selectNodeContents(n);
    let r = range.getClientRects()[0];
    if (!r || r.width <= 1 || r.height <= 1) continue;
    if (!here(r)) {
      e.scrollIntoView({ block: 'center', inline: 'nearest', behavior: 'instant' });
      r = range.getClientRects()[0];
      if (!here(r)) continue; // put aside until it has the focus
    }
    if (e.closest(':disabled,[aria-disabled=true]')) continue;
    const st = getComputedStyle(e), text = e.closest('svg text');
    let size = parseFloat(st.fontSize), colour = st.color;
    if (text) {
      const m = text.getScreenCTM();
      size *= Math.hypot(m.a, m.b);
      colour = st.fill;
      const svg = text.closest('svg').getBoundingClientRect();
      if (r.left < svg.left - 1 || r.right > svg.right + 1 || r.top < svg.top - 1 || r.bottom > svg.bottom + 1) say('cut off', text, 'it reaches out of its picture');
    }
    if (size < (text ? 9 : 12)) say('small', e, 'its letters are ' + size.toFixed(1) + ' px');
    if (e.closest('[class*=hidden]') && r.width < 2) continue;
    judge(e, colour, size, +st.fontWeight >= 700, r.left + r.width / 2, r.top + r.height / 2, 'text');
    const clip = e.closest('svg') ? null : e;
    if (clip && clip.scrollWidth > clip.clientWidth + 1 && /hidden|clip/.test(getComputedStyle(clip).overflowX) && clip.clientWidth > 1) say('cut off', e, 'its words are wider than it');
  }
  for (const e of all('input,select,textarea')) {
    if (!seen(e) || ['hidden', 'checkbox', 'radio'].includes(e.type) || e.disabled) continue;
    e.scrollIntoView({ block: 'center', behavior: 'instant' });
    const r = e.getBoundingClientRect(), st = getComputedStyle(e);
    if (!here(r)) continue;
    judge(e, st.color, parseFloat(st.fontSize), false, r.left + r.width / 2, r.top + r.height / 2, 'what is typed');
    const edge = read(st.borderBottomColor), out = behind(e.parentElement, r.left + r.width / 2, r.bottom + 3) || behind(e.parentElement, r.left - 3, r.top + r.height / 2);
    if (out && e.type !== 'submit' && e.type !== 'file') {
      const line = parseFloat(st.borderBottomWidth) > 0 ? contrast(over(edge, out), out) : 1, fill = contrast(over(read(st.backgroundColor), out), out);
      if (Math.max(line, fill) < 2.995) say('contrast', e, 'its edge is ' + line.toFixed(2) + ' against what is around it, want 3');
    }
  }

  // Labels in pictures that lie upon each other.
  for (const svg of all('svg').filter(seen)) {
    const t = all('text', svg).map((e) => [e, e.getBoundingClientRect()]).filter(([, r]) => r.width > 0);
    for (let i = 0; i < t.length; i++) for (let k = i + 1; k < t.length; k++) {
      const [a, b] = [t[i][1], t[k][1]];
      const w = Math.min(a.right, b.right) - Math.max(a.left, b.left), h = Math.min(a.bottom, b.bottom) - Math.max(a.top, b.top);
      if (w > 2 && h > 0.3 * Math.min(a.height, b.height)) say('overlap', t[i][0], 'it lies upon "' + words(t[k][0]) + '"');
    }
  }

  // Where the focus is can be seen (2.4.7, 1.4.11).
  const had = document.activeElement;
  for (const e of all(pressed)) {
    if (!seen(e) || e.disabled) continue;
    document.activeElement?.blur?.();
    const s = getComputedStyle(e), before = [s.boxShadow, s.backgroundColor, s.borderBottomColor, s.textDecorationLine].join();
    e.focus({ focusVisible: true });
    if (document.activeElement !== e) { say('focus', e, 'it cannot be reached by keys'); continue; }
    const after = [s.boxShadow, s.backgroundColor, s.borderBottomColor, s.textDecorationLine].join();
    const r = e.getBoundingClientRect();
    if (s.outlineStyle === 'none' || parseFloat(s.outlineWidth) < 1) {
      if (before === after) say('focus', e, 'nothing shows that it has it');
    } else if (s.outlineStyle !== 'auto') {
      const ground = here(r) && behind(e.parentElement, r.left + r.width / 2, Math.min(innerHeight - 1, r.bottom + 2));
      if (ground && contrast(over(read(s.outlineColor), ground), ground) < 2.995 && contrast(read(s.outlineColor), behind(e, r.left + r.width / 2, r.top + r.height / 2) || ground) < 2.995) say('focus', e, 'its ring cannot be distinguished from what is around it');
    }
    if (r.right < 0 || r.left > innerWidth || r.width <= 1) say('focus', e, 'it stays out of sight when it has it');
  }
  document.activeElement?.blur?.();
  had?.focus?.({ preventScroll: true });
  scrollTo({ left: scroll0[0], top: scroll0[1], behavior: 'instant' });
  return [...new Set(wrong)];
}
