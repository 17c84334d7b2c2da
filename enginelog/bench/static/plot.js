// Speed over time on a canvas, in the colours of the page, with its timeline above it.

const LEFT = 52;
const RIGHT = 10;
const STRIP = 20;
const BOTTOM = 34;
const SURE = 0.5;
const STEPS = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 30, 60, 120, 300, 600, 1800, 3600];
const WORDS = { quiet: "no engine", pull: "pull", run: "running", rundown: "run-down" };

export class Plot {
  constructor(canvas, track) {
    this.canvas = canvas;
    this.track = track;
    this.cursor = 0;
    this.from = 0;
    this.to = Math.max(track.seconds, 1);
    this.onpick = () => {};
    new ResizeObserver(() => this.draw()).observe(canvas);
    for (const media of ["(prefers-color-scheme: dark)", "print"]) {
      matchMedia(media).addEventListener("change", () => this.draw());
    }
    canvas.addEventListener("click", (event) => this.onpick(this.secondsAt(event.offsetX)));
    canvas.addEventListener("wheel", (event) => this.wheel(event), { passive: false });
    this.draw();
  }

  wheel(event) {
    if (!event.ctrlKey && !event.shiftKey) return;
    event.preventDefault();
    this.around(this.secondsAt(event.offsetX), event.deltaY > 0 ? 1.25 : 0.8);
  }

  secondsAt(x) {
    const share = (x - LEFT) / Math.max(this.canvas.clientWidth - LEFT - RIGHT, 1);
    return Math.min(Math.max(this.from + share * (this.to - this.from), 0), this.track.seconds);
  }

  view(from, to) {
    const whole = Math.max(this.track.seconds, 1);
    const wide = Math.min(Math.max(to - from, 0.5), whole);
    this.from = Math.min(Math.max(from, 0), whole - wide);
    this.to = this.from + wide;
    this.draw();
  }

  around(middle, factor) {
    this.view(middle - (middle - this.from) * factor, middle + (this.to - middle) * factor);
  }

  zoom(how) {
    const wide = this.to - this.from;
    const inside = this.cursor >= this.from && this.cursor <= this.to;
    const middle = inside ? this.cursor : (this.from + this.to) / 2;
    if (how === "in") this.around(middle, 0.5);
    if (how === "out") this.around(middle, 2);
    if (how === "left") this.view(this.from - wide / 2, this.to - wide / 2);
    if (how === "right") this.view(this.from + wide / 2, this.to + wide / 2);
    if (how === "all") this.view(0, this.track.seconds);
  }

  /** Draw, with this moment in sight. */
  show(seconds) {
    if (seconds < this.from || seconds > this.to) {
      const wide = this.to - this.from;
      this.view(seconds - 0.1 * wide, seconds + 0.9 * wide);
    } else this.draw();
  }

  rpmAt(seconds) {
    const { t, rpm } = this.track;
    if (!t.length) return null;
    const step = t.length > 1 ? t[1] - t[0] : 1;
    const index = Math.round((seconds - t[0]) / step);
    return index >= 0 && index < t.length ? rpm[index] : null;
  }

  draw() {
    const ratio = window.devicePixelRatio || 1;
    const [width, height] = [this.canvas.clientWidth, this.canvas.clientHeight];
    this.canvas.width = Math.round(width * ratio);
    this.canvas.height = Math.round(height * ratio);
    const pen = this.canvas.getContext("2d");
    pen.scale(ratio, ratio);
    pen.font = `13px ${getComputedStyle(document.body).fontFamily}`;
    const style = getComputedStyle(document.documentElement);
    const colour = (name) => style.getPropertyValue(`--${name}`).trim();
    const x = (t) => LEFT + ((t - this.from) / (this.to - this.from)) * (width - LEFT - RIGHT);
    const [low, high] = this.range();
    const top = STRIP + 12;
    const y = (rpm) => height - BOTTOM - ((rpm - low) / (high - low)) * (height - BOTTOM - top);
    this.axes(pen, colour, x, y, low, high, width, height);
    pen.save();
    pen.beginPath();
    pen.rect(LEFT, 0, width - LEFT - RIGHT, height - BOTTOM + 1);
    pen.clip();
    this.strip(pen, colour, x);
    this.stretches(pen, colour, x, top, height - BOTTOM);
    this.line(pen, colour, x, y);
    this.moment(pen, colour, x, height - BOTTOM);
    pen.restore();
  }

  range() {
    const seen = this.track.rpm.filter((value, index) => value !== null && this.track.t[index] >= this.from && this.track.t[index] <= this.to);
    if (!seen.length) return [0, 1000];
    seen.sort((a, b) => a - b);
    const [least, most] = [seen[Math.floor(0.01 * (seen.length - 1))], seen[Math.ceil(0.99 * (seen.length - 1))]];
    const room = Math.max(0.1 * (most - least), 0.03 * most, 20);
    return [Math.max(0, least - room), most + room];
  }

  axes(pen, colour, x, y, low, high, width, height) {
    pen.strokeStyle = colour("rule");
    pen.fillStyle = colour("muted");
    pen.lineWidth = 1;
    pen.textAlign = "right";
    pen.textBaseline = "middle";
    const rough = (high - low) / 4;
    const ten = 10 ** Math.floor(Math.log10(rough));
    const step = [1, 2, 5, 10].map((each) => each * ten).find((each) => each >= rough);
    for (let rpm = Math.ceil(low / step) * step; rpm <= high; rpm += step) {
      rule(pen, LEFT, y(rpm), width - RIGHT, y(rpm));
      pen.fillText(String(Math.round(rpm)), LEFT - 6, y(rpm));
    }
    pen.textAlign = "center";
    pen.textBaseline = "top";
    const every = STEPS.find((each) => ((width - LEFT - RIGHT) / (this.to - this.from)) * each >= 48) || 3600;
    for (let t = Math.ceil(this.from / every) * every; t <= this.to; t += every) {
      rule(pen, x(t), height - BOTTOM, x(t), height - BOTTOM + 5);
      if (x(t) > width - RIGHT - 18) continue; // the unit stands there
      pen.fillText(every < 1 ? t.toFixed(1) : String(Math.round(t)), x(t), height - BOTTOM + 8);
    }
    pen.textAlign = "right";
    pen.fillText("s", width - 1, height - BOTTOM + 8);
    pen.fillText("rpm", LEFT - 6, 2);
  }

  strip(pen, colour, x) {
    for (const span of this.track.spans) {
      const [left, right] = [x(span.start), Math.max(x(span.end), x(span.start) + 2)];
      pen.fillStyle = colour(span.kind);
      pen.fillRect(left, 0, right - left, STRIP);
      pen.strokeStyle = colour("edge");
      pen.strokeRect(left + 0.5, 0.5, right - left - 1, STRIP - 1);
      if (right - left > pen.measureText(WORDS[span.kind]).width + 8) {
        pen.fillStyle = colour("ink");
        pen.textAlign = "center";
        pen.textBaseline = "middle";
        pen.fillText(WORDS[span.kind], (Math.max(left, LEFT) + right) / 2, STRIP / 2 + 1);
      }
    }
  }

  stretches(pen, colour, x, top, bottom) {
    pen.strokeStyle = colour("mark");
    pen.lineWidth = 2;
    this.track.marks.forEach((mark, index) => {
      const level = bottom - 4 - 5 * index;
      rule(pen, x(mark.start), level, x(mark.end), level);
      rule(pen, x(mark.start), level - 4, x(mark.start), level + 4);
      rule(pen, x(mark.end), level - 4, x(mark.end), level + 4);
    });
    pen.setLineDash([6, 4]);
    pen.lineWidth = 1;
    pen.setLineDash([]);
  }

  line(pen, colour, x, y) {
    const { t, rpm, sure } = this.track;
    pen.strokeStyle = colour("line");
    for (const certain of [true, false]) {
      pen.setLineDash(certain ? [] : [2, 3]);
      pen.lineWidth = certain ? 2 : 1.3;
      pen.beginPath();
      let drawing = false;
      for (let index = 0; index < t.length; index += 1) {
        const use = rpm[index] !== null && sure[index] >= SURE === certain;
        if (use && drawing) pen.lineTo(x(t[index]), y(rpm[index]));
        else if (use) pen.moveTo(x(t[index]), y(rpm[index]));
        drawing = use;
      }
      pen.stroke();
    }
    pen.setLineDash([]);
  }

  moment(pen, colour, x, bottom) {
    pen.strokeStyle = pen.fillStyle = colour("ink");
    pen.lineWidth = 2;
    const at = x(this.cursor);
    rule(pen, at, 0, at, bottom);
    pen.beginPath();
    pen.moveTo(at - 6, STRIP);
    pen.lineTo(at + 6, STRIP);
    pen.lineTo(at, STRIP + 9);
    pen.fill();
  }
}

function rule(pen, x1, y1, x2, y2) {
  pen.beginPath();
  pen.moveTo(x1, y1);
  pen.lineTo(x2, y2);
  pen.stroke();
}
