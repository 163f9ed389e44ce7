// Reads a PNG of one 16-bit or 8-bit grey sample a pixel with all its bits: the
// browser's own reader keeps eight. Source: W3C PNG Specification, 2nd edition,
// clauses 5, 9 and 10.

export async function readPNG(buffer) {
  const bytes = new Uint8Array(buffer), view = new DataView(buffer);
  let at = 8, width = 0, height = 0, depth = 0;
  const parts = [];
  while (at + 8 <= bytes.length) {
    const length = view.getUint32(at), kind = String.fromCharCode(...bytes.subarray(at + 4, at + 8));
    if (kind === "IHDR") {
      width = view.getUint32(at + 8);
      height = view.getUint32(at + 12);
      depth = bytes[at + 16];
      if (bytes[at + 17] !== 0 || bytes[at + 20] !== 0 || (depth !== 8 && depth !== 16)) throw new Error("not a grey picture");
    } else if (kind === "IDAT") {
      parts.push(bytes.subarray(at + 8, at + 8 + length));
    }
    at += 12 + length;
  }
  const stream = new Blob(parts).stream().pipeThrough(new DecompressionStream("deflate"));
  const raw = new Uint8Array(await new Response(stream).arrayBuffer());
  const step = depth / 8, line = width * step;
  if (raw.length < height * (line + 1)) throw new Error("the picture is cut short");
  const out = new Uint16Array(width * height);
  let above = new Uint8Array(line);
  for (let y = 0; y < height; y++) {
    const start = y * (line + 1), filter = raw[start], here = raw.subarray(start + 1, start + 1 + line);
    unfilter(filter, here, above, step);
    if (step === 2) for (let x = 0, i = y * width; x < width; x++, i++) out[i] = (here[2 * x] << 8) | here[2 * x + 1];
    else for (let x = 0, i = y * width; x < width; x++, i++) out[i] = here[x] * 257;
    above = here;
  }
  return { width, height, pixels: out };
}

function unfilter(filter, here, above, step) {
  const n = here.length;
  switch (filter) {
    case 0: return;
    case 1: for (let i = step; i < n; i++) here[i] += here[i - step]; return;
    case 2: for (let i = 0; i < n; i++) here[i] += above[i]; return;
    case 3: for (let i = 0; i < n; i++) here[i] += ((i >= step ? here[i - step] : 0) + above[i]) >> 1; return;
    case 4:
      for (let i = 0; i < n; i++) {
        const a = i >= step ? here[i - step] : 0, b = above[i], c = i >= step ? above[i - step] : 0;
        const p = a + b - c, pa = Math.abs(p - a), pb = Math.abs(p - b), pc = Math.abs(p - c);
        here[i] += pa <= pb && pa <= pc ? a : pb <= pc ? b : c;
      }
      return;
    default: throw new Error("unknown filter in the picture");
  }
}
