"""Room on a card, with stand-ins for torch's memory. Guards: tries without end, faults taken for a full card,
tensors of a failed try kept through the pause, a cache given back after every scan or never."""

import weakref

import pytest
import torch

from jointwise.data_gen.xray.cuda import room
from jointwise.joints.errors import InputError

GIB = 2**30


@pytest.fixture
def done(monkeypatch):
    """What was done meanwhile, pauses as numbers."""
    doings = []
    monkeypatch.setattr(room.time, "sleep", doings.append)
    monkeypatch.setattr(room, "give_back", lambda: doings.append("give back"))
    return doings


def failing(errors, then="made"):
    """Raises these errors one after the other, then makes what it should."""
    left = iter(errors)

    def make():
        for error in left:
            raise error
        return then

    return make


@pytest.mark.parametrize(
    "error",
    [
        torch.cuda.OutOfMemoryError("CUDA out of memory. Tried to allocate 2.00 GiB."),
        torch.AcceleratorError("CUDA error: out of memory\nSearch for `cudaErrorMemoryAllocation'"),
        RuntimeError("CUDA error: CUBLAS_STATUS_ALLOC_FAILED when calling `cublasCreate(handle)`"),
        Exception("[2] Call to cuModuleLoadDataEx results in CUDA_ERROR_OUT_OF_MEMORY"),
    ],
    ids=["allocator", "launch", "cublas", "driver"],
)
def test_a_full_card_is_tried_again_after_growing_pauses(done, error, caplog):
    assert room.patiently(failing([error] * 3), "scan_00007") == "made"
    pauses = done[1::2]
    assert done[::2] == ["give back"] * 3
    assert pauses == list(room.PAUSES_S[:3]) == sorted(set(pauses))
    assert caplog.text.count("scan_00007 waits") == 3


def test_a_card_that_stays_full_is_one_sentence_that_says_what_to_do(done):
    tries = []

    def make():
        tries.append(0)
        raise torch.cuda.OutOfMemoryError("CUDA out of memory.")

    with pytest.raises(
        InputError, match="for scan_00007, found its memory full .* fewer commands .* device=cpu"
    ):
        room.patiently(make, "scan_00007")
    assert len(tries) == len(room.PAUSES_S) + 1
    assert done.count("give back") == len(room.PAUSES_S)


@pytest.mark.parametrize("before", [0, len(room.PAUSES_S)], ids=["first try", "last try"])
def test_any_other_fault_shows_at_once(done, before):
    fault = torch.AcceleratorError("CUDA error: an illegal memory access was encountered")
    full = torch.AcceleratorError("CUDA error: out of memory")
    with pytest.raises(torch.AcceleratorError, match="illegal"):
        room.patiently(failing([full] * before + [fault]), "scan_00007")
    assert done.count("give back") == before


def test_tensors_of_a_failed_try_are_let_go_before_memory_is_given_back(monkeypatch):
    held, alive = [], []
    monkeypatch.setattr(room.time, "sleep", lambda _: None)
    monkeypatch.setattr(room, "give_back", lambda: alive.append(held[-1]() is not None))

    def make():
        tensor = torch.zeros(3)
        held.append(weakref.ref(tensor))
        if len(held) < 3:
            raise torch.AcceleratorError("CUDA error: out of memory")
        return tensor

    assert room.patiently(make, "scan_00007").shape == (3,)
    assert alive == [False, False]


@pytest.fixture
def memory(monkeypatch):
    """torch's memory of a card: what it keeps, the most in use since the last look, and what was called."""
    card = {"reserved": 0, "peak": 0, "in_use": 0, "calls": []}

    def empty():
        card["calls"].append("empty")
        card["reserved"] = card["in_use"]

    def look():
        card["peak"] = card["in_use"]

    fakes = {
        "is_initialized": lambda: True,
        "synchronize": lambda: card["calls"].append("synchronize"),
        "empty_cache": empty,
        "memory_reserved": lambda: card["reserved"],
        "max_memory_allocated": lambda: card["peak"],
        "reset_peak_memory_stats": look,
    }
    for name, fake in fakes.items():
        monkeypatch.setattr(torch.cuda, name, fake)
    return card


def scan(memory, peak, kept):
    """A scan of such a peak with which torch comes to keep so much."""
    memory.update(peak=max(memory["peak"], peak), reserved=max(memory["reserved"], kept))
    room.tidy()


def test_scans_of_one_size_never_empty_the_cache(memory):
    for _ in range(5):
        scan(memory, 3 * GIB, 5 * GIB)
    # A large scan's own blocks are no spare ones either.
    scan(memory, 40 * GIB, 43 * GIB)
    assert memory["calls"] == []


def test_a_small_scan_after_a_large_one_gives_its_memory_back_once(memory):
    memory["in_use"] = GIB
    scan(memory, 40 * GIB, 43 * GIB)
    for _ in range(3):
        scan(memory, 2 * GIB, 3 * GIB)
    # What is in work is waited for first: kernels started by address are unknown to torch.
    assert memory["calls"] == ["synchronize", "empty"]
    assert memory["reserved"] == 3 * GIB


def test_without_a_card_in_use_nothing_is_touched(monkeypatch):
    monkeypatch.setattr(torch.cuda, "is_initialized", lambda: False)
    for name in ("synchronize", "empty_cache", "reset_peak_memory_stats"):
        monkeypatch.setattr(torch.cuda, name, lambda: pytest.fail("touched"))
    room.tidy()
    room.give_back()
