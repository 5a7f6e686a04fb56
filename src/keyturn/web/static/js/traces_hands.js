// Hands on the traces: one finger or the mouse drags, two fingers pinch, a wheel zooms, keys do all of it.

const PASSING = 300; // [ms] since the page was scrolled
const STILL = 5; // [px] that a finger may move and still have tapped

export function watchHands(plot, view) {
  const down = new Map(); // pointers by number: {x, y}
  let began = null; // where the first of them went down, and the window then
  const place = (event) => { const box = plot.getBoundingClientRect(); return { x: event.clientX - box.left, y: event.clientY - box.top }; };

  function begin() {
    const [start, end] = view.window(), points = [...down.values()];
    began = { start, end, points: points.map((one) => ({ ...one })), moved: began?.moved ?? false };
  }

  plot.addEventListener("pointerdown", (event) => {
    if (event.button > 0) return;
    if (!down.size) began = null;
    down.set(event.pointerId, place(event));
    plot.setPointerCapture?.(event.pointerId);
    begin();
  });
  plot.addEventListener("pointermove", (event) => {
    const at = place(event);
    if (!down.has(event.pointerId)) {
      if (event.pointerType === "mouse") view.move(view.timeAt(at.x));
      return;
    }
    down.set(event.pointerId, at);
    const now = [...down.values()], then = began.points;
    if (Math.hypot(now[0].x - then[0].x, now[0].y - then[0].y) > STILL || now.length > 1) began.moved = true;
    if (!began.moved) return;
    const span = began.end - began.start, width = view.width();
    if (now.length > 1 && then.length > 1) {
      const wide = Math.max(12, Math.abs(now[0].x - now[1].x)), was = Math.max(12, Math.abs(then[0].x - then[1].x));
      const to = span * (was / wide), gutter = plot.clientWidth - width - 12;
      const anchor = began.start + (((then[0].x + then[1].x) / 2 - gutter) / width) * span, middle = ((now[0].x + now[1].x) / 2 - gutter) / width;
      view.set(anchor - middle * to, anchor - middle * to + to);
    } else {
      const by = ((then[0].x - now[0].x) / width) * span;
      view.set(began.start + by, began.end + by);
    }
  });
  function up(event) {
    if (!down.has(event.pointerId)) return;
    const at = place(event);
    down.delete(event.pointerId);
    if (event.type === "pointerup" && !began.moved && !down.size) { view.move(view.timeAt(at.x)); view.picked(at.x, at.y); }
    if (down.size) begin();
  }
  plot.addEventListener("pointerup", up);
  plot.addEventListener("pointercancel", up);

  // a page that is being scrolled past goes on: only a wheel that begins here zooms
  let scrolled = -Infinity;
  addEventListener("scroll", () => { scrolled = performance.now(); }, { passive: true });
  plot.addEventListener("wheel", (event) => {
    if (performance.now() - scrolled < PASSING) return;
    const by = event.deltaMode === 1 ? 16 : 1, sideways = event.shiftKey ? event.deltaY : event.deltaX;
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) {
      event.preventDefault();
      view.pan((sideways * by) / view.width());
      return;
    }
    // zoomed out as far as it goes the page scrolls on
    if (event.deltaY > 0 && view.span() >= view.duration) return;
    event.preventDefault();
    view.zoom(Math.exp(Math.max(-240, Math.min(240, event.deltaY * by)) * 0.0025), view.timeAt(place(event).x));
  }, { passive: false });

  plot.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
    const [start, end] = view.window(), step = ((end - start) / view.width()) * (event.shiftKey ? 20 : 1);
    const to = (time) => {
      const [from, until] = view.window();
      if (time < from || time > until) view.set(time - (until - from) / 2, time + (until - from) / 2);
      view.move(time);
    };
    const at = view.cursor() ?? start;
    const keys = {
      ArrowLeft: () => to(at - step), ArrowRight: () => to(at + step), ArrowDown: () => to(at - 10 * step), ArrowUp: () => to(at + 10 * step),
      Home: () => to(start), End: () => to(end), PageUp: view.acts.right, PageDown: view.acts.left,
      "+": view.acts.in, "=": view.acts.in, "-": view.acts.out, "−": view.acts.out, 0: view.acts.all,
    };
    if (!keys[event.key]) return;
    event.preventDefault();
    keys[event.key]();
  });
}
