// Drawing with WebGL2: each eye's tiles into a picture of its own, then both mixed in linear light.

const PLACED = `#version 300 es
in vec2 corner;
uniform mat3 place;      // unit square to clip coordinates
out vec2 at;
void main() { at = corner; vec3 p = place * vec3(corner, 1.0); gl_Position = vec4(p.xy, 0.0, 1.0); }`;

const TILE = `#version 300 es
precision highp float;
uniform sampler2D tile;
in vec2 at;
out vec4 colour;
void main() { colour = vec4(texture(tile, at).rgb, 1.0); }`;

// sRGB: IEC 61966-2-1:1999. Mixing as in the outputs: a 3 x 6 matrix on linear light, clipped, encoded.
const MIX = `#version 300 es
precision highp float;
uniform sampler2D left, right;
uniform mat3 fromLeft, fromRight;
uniform bool mixed;
uniform float share;     // of the right picture, where nothing is mixed
uniform vec4 crop;       // clip coordinates: x0, y0, x1, y1
uniform float around;    // brightness outside the crop
uniform vec2 masks;      // widths of the floating window's masks, clip coordinates
in vec2 at;
out vec4 colour;
vec3 light(vec3 c) { return mix(pow((c + 0.055) / 1.055, vec3(2.4)), c / 12.92, lessThanEqual(c, vec3(0.04045))); }
vec3 code(vec3 l) {
  l = clamp(l, 0.0, 1.0);
  return mix(1.055 * pow(l, vec3(1.0 / 2.4)) - 0.055, l * 12.92, lessThanEqual(l, vec3(0.0031308)));
}
void main() {
  vec4 l = texture(left, at), r = texture(right, at);
  vec2 p = at * 2.0 - 1.0;
  if (l.a == 0.0 && r.a == 0.0) { discard; }
  // surroundings are left out where pictures stand side by side
  bool inside = p.x >= crop.x && p.x < crop.z && p.y >= crop.y && p.y < crop.w;
  if (!inside && around < 0.0) { discard; }
  if (inside && p.x < crop.x + masks.x) l.rgb = vec3(0.0);
  if (inside && p.x >= crop.z - masks.y) r.rgb = vec3(0.0);
  vec3 c = mixed ? code(fromLeft * light(l.rgb) + fromRight * light(r.rgb))
         : share <= 0.0 ? l.rgb : share >= 1.0 ? r.rgb : code(mix(light(l.rgb), light(r.rgb), share));
  colour = vec4(inside ? c : c * around, 1.0);
}`;

/** @param {WebGL2RenderingContext} gl @param {string} fragment */
function program(gl, fragment) {
  const linked = gl.createProgram();
  for (const [kind, text] of [[gl.VERTEX_SHADER, PLACED], [gl.FRAGMENT_SHADER, fragment]]) {
    const shader = gl.createShader(kind);
    gl.shaderSource(shader, text);
    gl.compileShader(shader);
    if (!gl.getShaderParameter(shader, gl.COMPILE_STATUS)) throw new Error(gl.getShaderInfoLog(shader));
    gl.attachShader(linked, shader);
  }
  gl.bindAttribLocation(linked, 0, "corner");
  gl.linkProgram(linked);
  if (!gl.getProgramParameter(linked, gl.LINK_STATUS)) throw new Error(gl.getProgramInfoLog(linked));
  return linked;
}

export class Composite {
  /** @param {WebGL2RenderingContext} gl */
  constructor(gl) {
    this.gl = gl;
    this.isPlain = false;
    this.tileProgram = program(gl, TILE);
    this.mixProgram = program(gl, MIX);
    const corners = gl.createBuffer();
    gl.bindBuffer(gl.ARRAY_BUFFER, corners);
    gl.bufferData(gl.ARRAY_BUFFER, new Float32Array([0, 0, 1, 0, 0, 1, 1, 1]), gl.STATIC_DRAW);
    gl.enableVertexAttribArray(0);
    gl.vertexAttribPointer(0, 2, gl.FLOAT, false, 0, 0);
    this.eyes = [0, 1].map(() => ({ texture: gl.createTexture(), frame: gl.createFramebuffer(), size: "" }));
  }

  /** @param {ImageBitmap} bitmap @param {boolean} [smaller] whether it may be shown smaller than it is */
  texture(bitmap, smaller = false) {
    const gl = this.gl;
    const texture = gl.createTexture();
    gl.bindTexture(gl.TEXTURE_2D, texture);
    gl.pixelStorei(gl.UNPACK_COLORSPACE_CONVERSION_WEBGL, gl.NONE);
    gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, gl.RGBA, gl.UNSIGNED_BYTE, bitmap);
    for (const side of [gl.TEXTURE_WRAP_S, gl.TEXTURE_WRAP_T]) gl.texParameteri(gl.TEXTURE_2D, side, gl.CLAMP_TO_EDGE);
    if (smaller) gl.generateMipmap(gl.TEXTURE_2D);
    return texture;
  }

  /** @param {WebGLTexture} texture */
  forget(texture) { this.gl.deleteTexture(texture); }

  /** Draw one eye. @param {0 | 1} eye @param {{texture: WebGLTexture, place: number[], smooth?: boolean}[]} tiles
   *  @param {boolean} exact one sample for one pixel @param {[number, number]} size */
  eye(eye, tiles, exact, size) {
    const gl = this.gl, into = this.eyes[eye];
    if (into.size !== size.join()) {
      gl.bindTexture(gl.TEXTURE_2D, into.texture);
      gl.texImage2D(gl.TEXTURE_2D, 0, gl.RGBA8, size[0], size[1], 0, gl.RGBA, gl.UNSIGNED_BYTE, null);
      for (const how of [gl.TEXTURE_MIN_FILTER, gl.TEXTURE_MAG_FILTER]) gl.texParameteri(gl.TEXTURE_2D, how, gl.NEAREST);
      gl.bindFramebuffer(gl.FRAMEBUFFER, into.frame);
      gl.framebufferTexture2D(gl.FRAMEBUFFER, gl.COLOR_ATTACHMENT0, gl.TEXTURE_2D, into.texture, 0);
      into.size = size.join();
    }
    gl.bindFramebuffer(gl.FRAMEBUFFER, into.frame);
    gl.viewport(0, 0, size[0], size[1]);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT);
    gl.useProgram(this.tileProgram);
    const filter = exact ? gl.NEAREST : gl.LINEAR;
    for (const { texture, place, smooth } of tiles) {
      gl.activeTexture(gl.TEXTURE0);
      gl.bindTexture(gl.TEXTURE_2D, texture);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MIN_FILTER, smooth ? gl.LINEAR_MIPMAP_LINEAR : filter);
      gl.texParameteri(gl.TEXTURE_2D, gl.TEXTURE_MAG_FILTER, filter);
      gl.uniformMatrix3fv(gl.getUniformLocation(this.tileProgram, "place"), false, place);
      gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
    }
  }

  clear() {
    const gl = this.gl;
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(0, 0, gl.canvas.width, gl.canvas.height);
    gl.clearColor(0.42, 0.42, 0.42, 1);
    gl.clear(gl.COLOR_BUFFER_BIT);
  }

  /** Put both eyes on the canvas. @param {{mixture: number[][] | null, share: number, crop: number[],
   *  masks: [number, number], around: number, box: number[]}} how  box: x, y, width, height, px from below */
  mix({ mixture, share, crop, masks, around, box }) {
    const gl = this.gl, one = this.mixProgram, at = (name) => gl.getUniformLocation(one, name);
    gl.bindFramebuffer(gl.FRAMEBUFFER, null);
    gl.viewport(box[0], box[1], box[2], box[3]);
    gl.useProgram(one);
    this.eyes.forEach((eye, k) => {
      gl.activeTexture(gl.TEXTURE0 + k);
      gl.bindTexture(gl.TEXTURE_2D, eye.texture);
    });
    gl.uniform1i(at("left"), 0);
    gl.uniform1i(at("right"), 1);
    gl.uniform1i(at("mixed"), mixture ? 1 : 0);
    gl.uniform1f(at("share"), share);
    gl.uniform1f(at("around"), around);
    gl.uniform4fv(at("crop"), crop);
    gl.uniform2fv(at("masks"), masks);
    const columns = (first) => [0, 1, 2].flatMap((c) => [0, 1, 2].map((r) => (mixture ? mixture[r][first + c] : 0)));
    gl.uniformMatrix3fv(at("fromLeft"), false, columns(0));
    gl.uniformMatrix3fv(at("fromRight"), false, columns(3));
    gl.uniformMatrix3fv(at("place"), false, [2, 0, 0, 0, 2, 0, -1, -1, 1]);
    gl.drawArrays(gl.TRIANGLE_STRIP, 0, 4);
  }
}
