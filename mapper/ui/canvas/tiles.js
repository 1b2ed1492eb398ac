// Tiles of the photo: fetched as pictures under the photo's token, the nearest to the middle
// first; those drawn longest ago are let go.
const TILE = 512, TILES_KEPT = 160, LOADING_MOST = 8;

function levelSizes(photo) {
  const sizes = [[photo.width, photo.height]];
  for (let i = 1; i < photo.levels; i++) {
    const [w, h] = sizes[i - 1];
    sizes.push([(w + 1) >> 1, (h + 1) >> 1]);
  }
  return sizes;
}

function tileAt(name) {
  const tile = STORE.tiles.get(name);
  if (!tile || !tile.ready) return null;
  STORE.tiles.delete(name); // newest last
  STORE.tiles.set(name, tile);
  return tile.image;
}

function loadTiles(wanted, arrived) {
  wanted.sort((a, b) => a.far - b.far);
  for (const { name } of wanted) {
    if (STORE.loading >= LOADING_MOST) return;
    if (STORE.tiles.has(name)) continue;
    const tile = { image: new Image(), ready: false };
    STORE.tiles.set(name, tile);
    STORE.loading++;
    tile.image.decoding = "async";
    tile.image.onload = () => { STORE.loading--; tile.ready = true; shed(); arrived(); };
    tile.image.onerror = () => { // tried again when it is wanted a while later
      STORE.loading--;
      setTimeout(() => { STORE.tiles.delete(name); arrived(); }, 1500);
    };
    tile.image.src = name;
  }
}

function shed() {
  for (const [name, tile] of STORE.tiles) {
    if (STORE.tiles.size <= TILES_KEPT) return;
    if (tile.ready) STORE.tiles.delete(name);
  }
}

// Draw the photo so that `view` has its middle at (mx, my) of a w x h window of the context.
// Returns the tiles that are still missing.
function drawPhoto(ctx, photo, view, dpr, mx, my, w, h) {
  const [a, b, c, d] = TURNS[view.q], s = view.scale * dpr;
  ctx.setTransform(a * s, c * s, b * s, d * s,
    mx * dpr - (a * view.cx + b * view.cy) * s, my * dpr - (c * view.cx + d * view.cy) * s);
  if (!photo.token) {
    ctx.fillStyle = "#ffffff";
    ctx.fillRect(-0.5, -0.5, photo.width, photo.height);
    return [];
  }
  const sizes = levelSizes(photo);
  const ideal = Math.floor(Math.log2(1 / s) + 0.25);
  const target = Math.min(sizes.length - 1, Math.max(0, ideal));
  const half = view.q % 2 ? [h / 2, w / 2] : [w / 2, h / 2];
  const box = [view.cx - half[0] / view.scale, view.cy - half[1] / view.scale,
    view.cx + half[0] / view.scale, view.cy + half[1] / view.scale];
  const missing = [];
  const tilesOf = (level) => {
    const [lw, lh] = sizes[level], kx = photo.width / lw, ky = photo.height / lh, out = [];
    const c0 = Math.max(0, Math.floor((box[0] + 0.5) / kx / TILE));
    const c1 = Math.min(Math.ceil(lw / TILE) - 1, Math.floor((box[2] + 0.5) / kx / TILE));
    const r0 = Math.max(0, Math.floor((box[1] + 0.5) / ky / TILE));
    const r1 = Math.min(Math.ceil(lh / TILE) - 1, Math.floor((box[3] + 0.5) / ky / TILE));
    for (let row = r0; row <= r1; row++) {
      for (let col = c0; col <= c1; col++) {
        const name = `/photo/${photo.token}/${level}/${col}/${row}`;
        out.push({ name, x: col * TILE * kx - 0.5, y: row * TILE * ky - 0.5, kx, ky });
      }
    }
    return out;
  };
  ctx.imageSmoothingEnabled = s < 6;
  const draw = (tile) => {
    const image = tileAt(tile.name);
    if (!image) return false;
    const over = 0.6 / s; // hides the hairline between neighbours
    ctx.drawImage(image, tile.x, tile.y,
      image.naturalWidth * tile.kx + over, image.naturalHeight * tile.ky + over);
    return true;
  };
  const finest = tilesOf(target);
  const top = tilesOf(sizes.length - 1)[0];
  for (const tile of finest) {
    if (STORE.tiles.get(tile.name)?.ready) continue;
    const dx = tile.x + TILE * tile.kx / 2 - view.cx, dy = tile.y + TILE * tile.ky / 2 - view.cy;
    missing.push({ name: tile.name, far: Math.hypot(dx, dy) });
  }
  if (missing.length) {
    if (top && !STORE.tiles.get(top.name)?.ready) missing.push({ name: top.name, far: -1 });
    for (let level = sizes.length - 1; level > target; level--) tilesOf(level).forEach(draw);
  }
  finest.forEach(draw);
  return missing;
}
