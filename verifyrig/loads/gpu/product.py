"""The work `gpu-linear-algebra`: products on a graphics processor, each compared bit by bit with a proven result.

At the start one product is fetched and proven against the processor's own arithmetic; a card or a driver that fails
that is refused. From then on the card repeats it, and a second program sums the bits of every row of every result.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import Any

import numpy as np
import numpy.typing as npt

from verifyrig.core.errors import LoadError
from verifyrig.core.reason import Reason, reason
from verifyrig.loads.gpu.card import open_device
from verifyrig.loads.gpu.kernels import Tiling, check_program, product_program
from verifyrig.loads.works import BlockResult

WHERE = "load, gpu-linear-algebra"
# A product shall last so long that handing it over costs little, and so short that a stop comes soon.
SHORTEST_PRODUCT_S = 0.002
LARGEST_ORDER = 4096
SMALLEST_ORDER = 256
# Residual of a product of order n, scaled by n, the operands' size and the precision (as the LINPACK rules scale
# that of a solve, where 16 is the bound); rounding alone stays below 1.
RESIDUAL_BOUND = 16.0
PROBES = 8
_MORE = 8
# Beyond this a product is long enough to be timed alone.
_SLOW_S = 0.05

Words = npt.NDArray[np.uint32]


class GpuProduct:
    """Products of one order on one card.

    Args:
        card: Which card: index, name, or part of either; empty takes the first that is no software renderer.
        seed: Of the operands.
        order: Order of the matrices; grown until a product takes long enough where None.
        tiling: How the work is divided; chosen to suit the card where None.
        meddle: Hook of tests: may change the result's words before they are checked.

    Raises:
        LoadError: No card, no backend, not enough memory, or the known answer came out wrong.
    """

    block_s = SHORTEST_PRODUCT_S

    def __init__(
        self,
        *,
        card: str = "",
        seed: int = 0,
        tiling: Tiling | None = None,
        order: int | None = None,
        meddle: Callable[[Words], Words] | None = None,
    ) -> None:
        self._device, self.card_name = open_device(card)
        self._tiling = tiling or Tiling()
        self._meddle = meddle
        self.notes: tuple[Reason, ...] = ()
        self._seed = seed
        self._prepare(order or SMALLEST_ORDER)
        if order is None:
            self._grow()
        self._product_s = self._seconds()

    @property
    def order(self) -> int:
        """Order of the matrices."""
        return self._n

    @property
    def flop(self) -> float:
        """Floating-point operations of one product."""
        return 2.0 * self._n**3

    def block(self, budget_s: float) -> BlockResult:
        """Make products for about `budget_s`, and check each; one unit of work is 10⁹ floating-point operations.

        Raises:
            LoadError: The card was lost.
        """
        count = max(1, round(budget_s / self._product_s))
        wrong = self._collect(self._submit(count))
        faults = (f"{wrong} of {self._n} rows of a product on {self.card_name} came out wrong",) if wrong else ()
        return BlockResult(work=count * self.flop / 1e9, checks=count, faults=faults)

    def close(self) -> None:
        """Release the card."""
        self._device.destroy()

    # ---- preparing ------------------------------------------------------------------------------------

    def _grow(self) -> None:
        """Double the order until a product takes long enough, or the card's memory ends it."""
        while self._n < LARGEST_ORDER and self._seconds() < SHORTEST_PRODUCT_S:
            order = self._n
            try:
                self._prepare(order * 2)
            except MemoryError:
                self._prepare(order)
                self.notes = (reason("card-memory-nearly-full", order=order),)
                return

    def _prepare(self, n: int) -> None:
        """Lay out buffers and programs for order `n`, and prove one product; raise `MemoryError` where it is full."""
        self._n = n
        element = np.float16 if self._tiling.half else np.float32
        rng = np.random.default_rng(self._seed)
        scale = 1.0 / np.sqrt(n)
        left = (rng.uniform(-1, 1, (n, n)) * scale).astype(element)
        right = rng.uniform(-1, 1, (n, n)).astype(element)
        self._lay_out(left, right)
        self._learn()
        self._prove(left, right, element)

    def _lay_out(self, left: npt.NDArray[Any], right: npt.NDArray[Any]) -> None:
        import wgpu

        device, n = self._device, self._n
        usage = wgpu.BufferUsage.STORAGE | wgpu.BufferUsage.COPY_SRC | wgpu.BufferUsage.COPY_DST
        bytes_each = n * n * left.itemsize
        try:
            self._left = device.create_buffer_with_data(data=np.ascontiguousarray(left.T), usage=usage)
            self._right = device.create_buffer_with_data(data=right, usage=usage)
            self._result = device.create_buffer(size=bytes_each, usage=usage)
            self._known = device.create_buffer(size=4 * n, usage=usage)
            self._wrong = device.create_buffer(size=4, usage=usage)
            self._mode = device.create_buffer_with_data(data=np.zeros(1, np.uint32), usage=usage)
        except (wgpu.GPUOutOfMemoryError, wgpu.GPUValidationError) as error:
            raise MemoryError(str(error)) from error
        self._product = self._pipeline(product_program(n, self._tiling), self._left, self._right, self._result)
        words = n * left.itemsize // 4
        self._checker = self._pipeline(check_program(words), self._result, self._known, self._wrong, self._mode)
        self._groups = (n // self._tiling.tile_columns, n // self._tiling.tile_rows)

    def _pipeline(self, program: str, *buffers: Any) -> tuple[Any, Any]:
        pipeline = self._device.create_compute_pipeline(
            layout="auto", compute={"module": self._device.create_shader_module(code=program), "entry_point": "main"}
        )
        entries = [{"binding": i, "resource": {"buffer": buffer}} for i, buffer in enumerate(buffers)]
        return pipeline, self._device.create_bind_group(layout=pipeline.get_bind_group_layout(0), entries=entries)

    def _prove(self, left: npt.NDArray[Any], right: npt.NDArray[Any], element: type) -> None:
        """Compare the product with the processor's: A (B x) against C x for random x, in double precision."""
        words: npt.NDArray[Any] = np.frombuffer(self._read(self._result), dtype=element)
        result = words.reshape(self._n, self._n)
        probes = np.random.default_rng(self._seed + 1).choice((-1.0, 1.0), (self._n, PROBES))
        expected = left.astype(np.float64) @ (right.astype(np.float64) @ probes)
        found = result.astype(np.float64) @ probes
        size = np.linalg.norm(left.astype(np.float64)) * np.linalg.norm(right.astype(np.float64))
        residual = np.linalg.norm(found - expected) / (size * np.sqrt(PROBES) * float(np.finfo(element).eps))
        if not np.isfinite(residual) or residual > RESIDUAL_BOUND:
            raise LoadError(
                f"{self.card_name} computes a known product wrongly (scaled residual {residual:.3g})",
                where=WHERE,
                mend="The card or its driver is at fault; no load is run on it. Try another driver or backend.",
            )

    # ---- running --------------------------------------------------------------------------------------

    def _encode(self, encoder: Any, program: tuple[Any, Any], *groups: int) -> None:
        pipeline, bindings = program
        compute = encoder.begin_compute_pass()
        compute.set_pipeline(pipeline)
        compute.set_bind_group(0, bindings)
        compute.dispatch_workgroups(*groups)
        compute.end()

    def _learn(self) -> None:
        """Make one product, prove it, and keep the sums of its rows as those known to be right."""
        self._device.queue.write_buffer(self._mode, 0, np.ones(1, np.uint32))
        encoder = self._device.create_command_encoder()
        self._encode(encoder, self._product, *self._groups)
        self._encode(encoder, self._checker, self._n)
        self._device.queue.submit([encoder.finish()])
        self._device.queue.write_buffer(self._mode, 0, np.zeros(1, np.uint32))

    def _submit(self, count: int) -> tuple[Any, Any]:
        """Hand over `count` products with a check after each, and a copy of how many rows were wrong."""
        import wgpu

        encoder = self._device.create_command_encoder()
        for _ in range(count):
            self._encode(encoder, self._product, *self._groups)
            self._encode(encoder, self._checker, self._n)
        answer = self._device.create_buffer(size=4, usage=wgpu.BufferUsage.COPY_DST | wgpu.BufferUsage.MAP_READ)
        encoder.copy_buffer_to_buffer(self._wrong, 0, answer, 0, 4)
        encoder.clear_buffer(self._wrong)
        self._device.queue.submit([encoder.finish()])
        return answer, answer.map_async(wgpu.MapMode.READ)

    def _collect(self, pending: tuple[Any, Any]) -> int:
        """Wait until the card has done what was handed over; return how many rows of it were wrong."""
        answer, promise = pending
        try:
            promise.sync_wait()
            wrong = int(np.frombuffer(answer.read_mapped(), np.uint32)[0])
            answer.destroy()
        except Exception as error:
            # The binding has no one type for it: whatever comes here, the device does not answer any more.
            raise LoadError(
                f"{self.card_name} was lost ({error})",
                where=WHERE,
                mend="See the system's log for a reset of the card.",
            ) from error
        return wrong

    def _read(self, buffer: Any) -> memoryview:
        data: memoryview = self._device.queue.read_buffer(buffer)
        if self._meddle is None:
            return data
        return memoryview(self._meddle(np.frombuffer(data, np.uint32).copy()).tobytes())

    def _seconds(self) -> float:
        """Return the seconds of one product: what more of them take longer; each answer has a delay of its own."""
        one_s = min(self._timed(1) for _ in range(2))
        if one_s > _SLOW_S:
            return one_s
        return max((min(self._timed(1 + _MORE) for _ in range(2)) - one_s) / _MORE, 1e-6)

    def _timed(self, count: int) -> float:
        began_s = time.perf_counter()
        self._collect(self._submit(count))
        return time.perf_counter() - began_s
