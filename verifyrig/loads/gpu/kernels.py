"""The compute programs (WGSL) of the graphics load: a register-tiled product, and the check of its result. Pure text.

Source of the method: blocking for a memory hierarchy as in textbooks on matrix computations; a tile of the result
lives in registers, tiles of the operands in the memory that a work group shares.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Tiling:
    """How a work group divides its part of the result.

    Attributes:
        threads_x, threads_y: Threads of a work group.
        rows, columns: Groups of four rows and four columns of the result in one thread's registers.
        depth: Steps of the inner index between two loads of operand tiles.
        half: Multiply and add in half precision.
    """

    # Of the tilings tried on a data-centre card this one drew the most power: small groups, four times as many.
    threads_x: int = 8
    threads_y: int = 8
    rows: int = 2
    columns: int = 2
    depth: int = 16
    half: bool = False

    @property
    def tile_rows(self) -> int:
        """Rows of the result that a work group makes."""
        return self.threads_y * self.rows * 4

    @property
    def tile_columns(self) -> int:
        """Columns of the result that a work group makes."""
        return self.threads_x * self.columns * 4


def product_program(n: int, tiling: Tiling) -> str:
    """Return WGSL that computes C = Aᵀ B for square matrices of order `n`, row by row; `n` fits the tiling.

    Bindings: 0 the transposed left operand, 1 the right operand, 2 the result, each of vectors of four.
    """
    if n % tiling.tile_rows or n % tiling.tile_columns or n % tiling.depth:
        raise ValueError(f"order {n} does not fit a tile of {tiling.tile_rows} x {tiling.tile_columns}")
    vec = "vec4<f16>" if tiling.half else "vec4<f32>"
    return "\n".join(
        [
            "enable f16;" if tiling.half else "",
            f"@group(0) @binding(0) var<storage, read> left: array<{vec}>;",
            f"@group(0) @binding(1) var<storage, read> right: array<{vec}>;",
            f"@group(0) @binding(2) var<storage, read_write> result: array<{vec}>;",
            f"var<workgroup> left_tile: array<{vec}, {tiling.depth * tiling.tile_rows // 4}>;",
            f"var<workgroup> right_tile: array<{vec}, {tiling.depth * tiling.tile_columns // 4}>;",
            f"@compute @workgroup_size({tiling.threads_x}, {tiling.threads_y})",
            "fn main(@builtin(workgroup_id) group: vec3<u32>, @builtin(local_invocation_id) me: vec3<u32>,",
            "        @builtin(local_invocation_index) index: u32) {",
            *_body(n, tiling, vec),
            "}",
        ]
    )


def _body(n: int, tiling: Tiling, vec: str) -> list[str]:
    """Return the body: operand tiles are fetched one step ahead, so that fetching and multiplying overlap."""
    lines = [f"  var c{i}_{j} = {vec}(0.0);" for i in range(tiling.rows * 4) for j in range(tiling.columns)]
    fetches = _fetches(n, tiling)
    lines += [f"  var {name} = {source}[{at}];" for name, source, at, _ in fetches]
    lines.append(f"  for (var k = 0u; k < {n}u; k += {tiling.depth}u) {{")
    lines.append("    workgroupBarrier();")
    lines += [f"    {tile} = {name};" for name, _, _, tile in fetches]
    lines.append("    workgroupBarrier();")
    lines.append(f"    let ahead = select(k + {tiling.depth}u, 0u, k + {tiling.depth}u >= {n}u) * {n // 4}u;")
    lines += [f"    {name} = {source}[ahead + {at}];" for name, source, at, _ in fetches]
    lines += [line for step in range(tiling.depth) for line in _step(step, tiling, vec)]
    lines.append("  }")
    return lines + _store(n, tiling)


def _fetches(n: int, tiling: Tiling) -> list[tuple[str, str, str, str]]:
    """Return for each fetch of this thread: register, source, index of the source, slot of the shared tile."""
    threads = tiling.threads_x * tiling.threads_y
    found = []
    for side, width, group in (("left", tiling.tile_rows, "group.y"), ("right", tiling.tile_columns, "group.x")):
        in_row = width // 4
        count = tiling.depth * in_row // threads
        if count * threads != tiling.depth * in_row:
            raise ValueError("the threads do not divide the tile")
        for i in range(count):
            slot = f"(index + {i * threads}u)"
            at = f"({slot} / {in_row}u) * {n // 4}u + {group} * {in_row}u + {slot} % {in_row}u"
            found.append((f"{side}_{i}", side, at, f"{side}_tile[index + {i * threads}u]"))
    return found


def _step(step: int, tiling: Tiling, vec: str) -> list[str]:
    row, column = tiling.tile_rows // 4, tiling.tile_columns // 4
    lines = [
        f"    let a{step}_{i} = left_tile[{step * row + i * tiling.threads_y}u + me.y];" for i in range(tiling.rows)
    ]
    lines += [
        f"    let b{step}_{j} = right_tile[{step * column + j * tiling.threads_x}u + me.x];"
        for j in range(tiling.columns)
    ]
    for i in range(tiling.rows * 4):
        factor = f"{vec}(a{step}_{i // 4}.{'xyzw'[i % 4]})"
        lines += [f"    c{i}_{j} = fma({factor}, b{step}_{j}, c{i}_{j});" for j in range(tiling.columns)]
    return lines


def _store(n: int, tiling: Tiling) -> list[str]:
    lines = []
    for i in range(tiling.rows * 4):
        row = f"(group.y * {tiling.tile_rows}u + {(i // 4) * tiling.threads_y * 4}u + me.y * 4u + {i % 4}u)"
        for j in range(tiling.columns):
            column = f"(group.x * {tiling.tile_columns // 4}u + {j * tiling.threads_x}u + me.x)"
            lines.append(f"  result[{row} * {n // 4}u + {column}] = c{i}_{j};")
    return lines


CHECK_THREADS = 64


def check_program(words_in_row: int) -> str:
    """Return WGSL that sums the bits of each row of the result, and compares the sums with those known to be right.

    Each 32-bit word enters with an odd weight of its own, so that no single wrong word, and no two of a row that
    were exchanged, leave the sum as it was. Bindings: 0 the result as words, 1 the known sums (written where
    `mode[0]` is 1), 2 how many rows were wrong, 3 the mode.
    """
    return f"""
@group(0) @binding(0) var<storage, read> result: array<u32>;
@group(0) @binding(1) var<storage, read_write> known: array<u32>;
@group(0) @binding(2) var<storage, read_write> wrong: array<atomic<u32>>;
@group(0) @binding(3) var<storage, read> mode: array<u32>;
var<workgroup> part: array<u32, {CHECK_THREADS}>;
@compute @workgroup_size({CHECK_THREADS})
fn main(@builtin(workgroup_id) group: vec3<u32>, @builtin(local_invocation_index) index: u32) {{
  var sum = 0u;
  for (var i = index; i < {words_in_row}u; i += {CHECK_THREADS}u) {{
    sum += result[group.x * {words_in_row}u + i] * (2u * i + 1u);
  }}
  part[index] = sum;
  workgroupBarrier();
  if (index == 0u) {{
    var total = 0u;
    for (var i = 0u; i < {CHECK_THREADS}u; i++) {{ total += part[i]; }}
    if (mode[0] == 1u) {{ known[group.x] = total; }}
    else if (known[group.x] != total) {{ atomicAdd(&wrong[0], 1u); }}
  }}
}}
"""
