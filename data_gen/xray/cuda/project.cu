// The projector of project.py in CUDA C, compiled at run time, in three steps: `lists` finds what items (of shadows.cu) may
// touch each tile of each view; `judge` finds the pixels of a tile that meet solids and does the others; `project` does
// those. The rules are the CPU's, but that a pixel near a joint has one ray where it meets no metal.
// Shapes and units are those of load.Sent.

#include "solids.cu"
#include "boxes.cu"

#define WIDE 32
#define TALL 32
#define AREA (WIDE * TALL)
#define THREADS 128
#define WARPS (THREADS / 32)
// Blocks that a multiprocessor must hold, of `judge` and of `project`.
#ifndef JUDGES
#define JUDGES 10
#endif
#ifndef BLOCKS
#define BLOCKS 8
#endif
// Tiles of a block of `lists`, a warp each.
#define TILES 8
#define COARSE 8
#define LISTED 1024
#define WORDS (LISTED / 32)
#define BOXES 48
#define FEW 8
#define LATER 32
// Where the owner of an entry begins, above what else is known of it; nobody.
#define OWNER 9
#define NOBODY (-0x3fffff)

enum { JOINT, NECK, COPPER_IN_AIR, SUNK, REST };

__device__ __forceinline__ unsigned cover(int first, int last, int start, int size) {
    int low = max(first - start, 0), high = min(last - start, size);
    return high > low ? (ALL >> (32 - (high - low))) << low : 0u;
}

// Rays of a tile, per axis of the board: direction to the middle of its first pixel, steps to the next column and row, source.
struct Axes {
    float start[3], across[3], down[3], source[3];
    __device__ __forceinline__ Axes(const float *frame, float u0, float v0, float pixel_mm, float distance, int row0, int column0) {
        const float u = u0 + (float)column0 * pixel_mm, v = v0 + (float)row0 * pixel_mm;
#pragma unroll
        for (int i = 0; i < 3; i++) {
            source[i] = frame[i], across[i] = pixel_mm * frame[3 + i], down[i] = pixel_mm * frame[6 + i];
            start[i] = distance * frame[9 + i] + u * frame[3 + i] + v * frame[6 + i];
        }
    }
};

// The energies of a scan are parameters, so that they lie in constant memory and cost no load: five attenuations (solder,
// copper, laminate, silicon, second alloy) times -log2(e), weights for signal and variance. A scan with more than FEW
// reads them from `bins`.
#define ENERGY(n) float sol##n, float cop##n, float lam##n, float sil##n, float sec##n, float wgt##n, float var##n
#define NUMBERS(n) {sol##n, cop##n, lam##n, sil##n, sec##n, wgt##n, var##n}
#define FEW_NUMBERS {NUMBERS(0), NUMBERS(1), NUMBERS(2), NUMBERS(3), NUMBERS(4), NUMBERS(5), NUMBERS(6), NUMBERS(7)}

struct Lengths { float solder, copper, laminate, silicon, second; };

// Signal and variance of a ray, summed over the energies; metal of joints only if SOLID.
template <bool SOLID>
__device__ __forceinline__ float2 behind(const Lengths &l, const float (*few)[7], const float4 *energy, int energies) {
    float passed = 0.0f, spread = 0.0f;
    if (energies <= FEW) {
#pragma unroll
        for (int e = 0; e < FEW; e++) {
            const float *m = few[e];
            const float others = m[1] * l.copper + m[2] * l.laminate + m[3] * l.silicon;
            const float left = exp2f(SOLID ? m[0] * l.solder + others + m[4] * l.second : others);
            passed += m[5] * left, spread += m[6] * left;
        }
    } else {
#pragma unroll 1
        for (int e = 0; e < energies; e++) {
            const float4 m = energy[2 * e], n = energy[2 * e + 1];
            const float others = m.y * l.copper + m.z * l.laminate + m.w * l.silicon;
            const float left = exp2f(SOLID ? m.x * l.solder + others + n.x * l.second : others);
            passed += n.y * left, spread += n.z * left;
        }
    }
    return make_float2(passed, spread);
}

// More than FEW energies, for shared memory.
__device__ __forceinline__ void fill(float4 *energy, const float *bins, int energies) {
    const float scale = -1.44269504089f;
    for (int e = threadIdx.x; energies > FEW && e < energies; e += THREADS) {
        energy[2 * e] = make_float4(scale * bins[e], scale * bins[energies + e], scale * bins[2 * energies + e],
                                    scale * bins[3 * energies + e]);
        energy[2 * e + 1] = make_float4(scale * bins[4 * energies + e], bins[5 * energies + e], bins[6 * energies + e], 0.0f);
    }
}

// What a tile has to do with items and boxes, of each tile in `about`. First by `lists`: number of items (their numbers are
// in `listed`, with `room` for each tile's), of stacks its rays cross in part, thickness (copper, laminate, silicon) of those
// that they cross as a whole; then by `judge`: number of pixels with sub-rays and of others with solids (in `busy_of_tiles`,
// from the front and from the back); the stacks crossed in part.
#define ABOUT (7 + BOXES)

// What all steps take.
#define TILE_PARAMETERS const short4 *spans, int n_items, const float *frames, int first_view, const float *u0, const float *v0, \
    float pixel_mm, float distance, int rows, int columns, const float4 *stacks, const float4 *layers, int n_stacks, int *about, \
    int *listed, int room

// What `judge` and `project` take beside.
#define PIXEL_PARAMETERS const int4 *items, const int *joint_rows, const float4 *seen, const int *order, short *busy_of_tiles, \
    int edge, const float *bins, int energies, ENERGY(0), ENERGY(1), ENERGY(2), ENERGY(3), ENERGY(4), ENERGY(5), ENERGY(6), \
    ENERGY(7), float *signal, float *variance, float *absorbed

// A warp takes a tile: it lists the items that may touch it, in their order, and sorts out the boxes, four lanes a stack.
// Tiles with items come first in `order`, whose first two numbers count those with and those without.
extern "C" __global__ void __launch_bounds__(32 * TILES) lists(
    TILE_PARAMETERS, int tiles, int *order, int *lost) {
    const int lane = threadIdx.x & 31, tile = blockIdx.x * TILES + (threadIdx.x >> 5);
    if (tile >= tiles) return;
    const int wide = (columns + WIDE - 1) / WIDE, tall = (rows + TALL - 1) / TALL;
    const int view = first_view + tile / (wide * tall), row0 = tile / wide % tall * TALL, column0 = tile % wide * WIDE;
    const short4 *span = spans + (size_t)view * n_items;
    int *list = listed + (size_t)tile * room, *facts = about + (size_t)tile * ABOUT;
    int total = 0;
#pragma unroll 2
    for (int k = lane; k - lane < n_items; k += 32) {
        bool hit = false;
        if (k < n_items) {
            const short4 p = __ldg(&span[k]);
            hit = p.x < row0 + TALL && p.y > row0 && p.z < column0 + WIDE && p.w > column0;
        }
        const unsigned votes = __ballot_sync(ALL, hit);
        const int at = total + __popc(votes & ((1u << lane) - 1u));
        if (hit && at < LISTED) list[at] = k;
        total += __popc(votes);
    }
    const Stacks boxes = {stacks, layers, n_stacks};
    const Axes axes(frames + 12 * view, u0[view], v0[view], pixel_mm, distance, row0, column0);
    Filling sum = {0.0f, 0.0f, 0.0f};
    int kept = 0;
#pragma unroll 1
    for (int first = 0; first < n_stacks; first += 8) {
        const int n = first + (lane >> 2);
        float corner[3][3];
#pragma unroll
        for (int i = 0; i < 3; i++) {
#pragma unroll
            for (int turn = 0; turn < 3; turn++) {
                const int which = lane + turn & 3;
                corner[turn][i] = axes.start[i] + (which == 1 || which == 2 ? WIDE - 0.5f : -0.5f) * axes.across[i] + (which > 1 ? TALL - 0.5f : -0.5f) * axes.down[i];
            }
        }
        const int met = n < n_stacks ? boxes.met(n, axes.source, corner[0], corner[1], corner[2]) : 1;
        const unsigned none = __ballot_sync(ALL, met == 1), all = __ballot_sync(ALL, met == 2), mine = 15u << (lane & 28);
        const bool whole = !(none & mine) && (all & mine) == mine, part = (lane & 3) == 0 && !whole && !(none & mine);
        if (whole && (lane & 3) == 0) {
            const float4 thickness = __ldg(&stacks[3 * n + 2]);
            sum.copper += thickness.x, sum.laminate += thickness.y, sum.silicon += thickness.z;
        }
        const unsigned parts = __ballot_sync(ALL, part);
        if (part) facts[7 + kept + __popc(parts & ((1u << lane) - 1u))] = n;
        kept += __popc(parts);
    }
#pragma unroll
    for (int step = 4; step < 32; step *= 2) {
        sum.copper += __shfl_xor_sync(ALL, sum.copper, step), sum.laminate += __shfl_xor_sync(ALL, sum.laminate, step);
        sum.silicon += __shfl_xor_sync(ALL, sum.silicon, step);
    }
    if (lane) return;
    if (total > LISTED) lost[0] = 1;
    facts[0] = min(total, LISTED), facts[1] = kept;
    facts[2] = __float_as_int(sum.copper), facts[3] = __float_as_int(sum.laminate), facts[4] = __float_as_int(sum.silicon);
    const int rank = atomicAdd(&order[total ? 0 : 1], 1);
    order[2 + (total ? rank : tiles - 1 - rank)] = tile;
}

// A tile as the threads of its block share it.
struct Tile {
    // Its items: number; kind, whether it asks for sub-rays, role and form, and above OWNER the end of its joint's rows, ~neck or,
    // of others, NOBODY.
    int2 entries[LISTED];
    // Which items may touch a row, a column; which of them are solids.
    unsigned in_row[WORDS][TALL], in_column[WORDS][WIDE], solid[WORDS];
    int crossed[BOXES];
    // Per axis of the board: direction to the middle of the first pixel, steps to the next column and row, source.
    float4 axes[3];
};

// Where a tile lies, and what is known of it.
struct Place {
    int image, view, row0, column0, total, words, crossings;
    Filling flat;
    __device__ __forceinline__ Place(int tile, int first_view, int rows, int columns, const int *facts) {
        const int wide = (columns + WIDE - 1) / WIDE, tall = (rows + TALL - 1) / TALL;
        image = tile / (wide * tall), view = first_view + image, row0 = tile / wide % tall * TALL, column0 = tile % wide * WIDE;
        total = facts[0], words = total + 31 >> 5, crossings = facts[1];
        flat = {__int_as_float(facts[2]), __int_as_float(facts[3]), __int_as_float(facts[4])};
    }
};

// Fills the first half of a tile: its list of items, its stacks, its rays.
__device__ __forceinline__ void gather(Tile &t, const Place &p, const int *facts, const int *list, const int4 *items,
                                       const int *joint_rows, const float *frame, float u0, float v0, float pixel_mm, float distance) {
    if (threadIdx.x < 3) {
        const Axes of(frame, u0, v0, pixel_mm, distance, p.row0, p.column0);
#pragma unroll
        for (int i = 0; i < 3; i++)
            if (threadIdx.x == i) t.axes[i] = make_float4(of.start[i], of.across[i], of.down[i], of.source[i]);
    }
    for (int n = threadIdx.x; n < p.crossings; n += THREADS) t.crossed[n] = facts[7 + n];
    for (int i = threadIdx.x; i < p.total; i += THREADS) {
        const int k = __ldg(&list[i]);
        const int4 item = __ldg(&items[k]);
        const int who = item.x == JOINT ? __ldg(&joint_rows[2 * item.y + 1]) : item.x == NECK ? ~item.y : NOBODY;
        t.entries[i] = make_int2(k, item.x | item.z << 3 | item.w << 4 | who << OWNER);
    }
}

// And the other half: every warp makes its share of rows and columns. `several` and `metal`: those that ask for sub-rays, and
// those that a pixel with one ray is listed for; may be none.
__device__ __forceinline__ void spread(Tile &t, const Place &p, const short4 *span, unsigned *several, unsigned *metal) {
    const int lane = threadIdx.x & 31, warp = threadIdx.x >> 5;
#pragma unroll 1
    for (int w = 0; w < p.words; w++) {
        const int i = 32 * w + lane;
        int fact = REST;
        unsigned across = 0, down = 0;
        if (i < p.total) {
            fact = t.entries[i].y;
            const short4 s = __ldg(&span[t.entries[i].x]);
            down = cover(s.x, s.y, p.row0, TALL), across = cover(s.z, s.w, p.column0, WIDE);
        }
#pragma unroll
        for (int line = warp; line < TALL; line += WARPS) {
            unsigned votes = __ballot_sync(ALL, down >> line & 1u), others = __ballot_sync(ALL, across >> line & 1u);
            if (lane == 0) t.in_row[w][line] = votes, t.in_column[w][line] = others;
        }
        if (warp == w % WARPS) {
            const int kind = fact & 7;
            const unsigned a = __ballot_sync(ALL, kind != REST), b = __ballot_sync(ALL, fact & 8);
            const unsigned c = __ballot_sync(ALL, kind == JOINT ? (fact >> 4 & 7) == BODY : kind != REST);
            if (lane == 0) {
                t.solid[w] = a;
                if (several) several[w] = b, metal[w] = c;
            }
        }
    }
}

// What every block of COARSE by COARSE pixels of a tile lacks of the whole signal: scatter and glare come from it. When all its
// pixels are done.
__device__ __forceinline__ void add_up(const Place &p, int rows, int columns, const float *signal, float *absorbed) {
    __syncthreads();
    const int down = (rows + COARSE - 1) / COARSE, across = (columns + COARSE - 1) / COARSE;
    for (int i = threadIdx.x; i < AREA / COARSE; i += THREADS) {
        const int r = p.row0 + (i >> 5) * COARSE + (i & 7), c = p.column0 + (i >> 3 & 3) * COARSE, end = min(c + COARSE, columns);
        const float *line = signal + (size_t)(p.image * rows + r) * columns;
        float sum = 0.0f;
        if (r < rows && end == c + COARSE && columns % 4 == 0) {
            const float4 a = *(const float4 *)(line + c), b = *(const float4 *)(line + c + 4);
            sum = ((a.x + a.y) + (a.z + a.w)) + ((b.x + b.y) + (b.z + b.w));
        } else if (r < rows) for (int column = c; column < end; column++) sum += line[column];
#pragma unroll
        for (int step = 1; step < COARSE; step *= 2) sum += __shfl_xor_sync(ALL, sum, step);
        const float size = (float)(min(r + COARSE, rows) - r) * (float)(end - c);
        if ((i & 7) == 0 && r < rows && c < columns)
            absorbed[((size_t)p.image * down + r / COARSE) * across + c / COARSE] = 1.0f - __fdividef(sum, size);
    }
}

// All of a tile but its pixels with solids, which are listed for `project`.
extern "C" __global__ void __launch_bounds__(THREADS, JUDGES) judge(TILE_PARAMETERS, PIXEL_PARAMETERS) {
    __shared__ Tile t;
    __shared__ unsigned several[WORDS], metal[WORDS];
    __shared__ int found[3];
    __shared__ short idle[AREA];
    extern __shared__ float4 energy[];
    const float few[FEW][7] = FEW_NUMBERS;
    const Stacks boxes = {stacks, layers, n_stacks};
    const int thread = threadIdx.x, lane = thread & 31, tile = __ldg(&order[2 + blockIdx.x]);
    int *facts = about + (size_t)tile * ABOUT;
    const Place p(tile, first_view, rows, columns, facts);
    short *busy = busy_of_tiles + (size_t)tile * AREA;
    seen += (size_t)p.view * n_items;
    if (thread < 3) found[thread] = 0;
    gather(t, p, facts, listed + (size_t)tile * room, items, joint_rows, frames + 12 * p.view, u0[p.view], v0[p.view], pixel_mm, distance);
    fill(energy, bins, energies);
    __syncthreads();
    spread(t, p, spans + (size_t)p.view * n_items, several, metal);
    __syncthreads();
    // Near a joint pixels have sub-rays, except where those meet no metal and the same boxes alike: one ray is as good. Which
    // solids may be met, their bounding balls tell, wider by how far sub-rays lie from the middle of their pixel.
    const float aside = 0.5f * (float)(edge - 1) * __fdividef(1.0f, (float)edge);
#pragma unroll 1
    for (int pixel = thread; p.words > 0 && pixel < AREA; pixel += THREADS) {
        // In patches of 8x4 pixels of blocks of 4x2, so that the rays of one warp stay together.
        const int patch = pixel >> 5, r = (patch >> 2) * 4 + (pixel >> 3 & 2) + (pixel >> 2 & 1), c = (patch & 3) * 8 + (pixel >> 1 & 4) + (pixel & 3);
        float source[3], d[3], off[3];
#pragma unroll
        for (int i = 0; i < 3; i++) {
            const float4 axis = t.axes[i];
            source[i] = axis.w, d[i] = axis.x + (float)c * axis.y + (float)r * axis.z;
            off[i] = aside * (fabsf(axis.y) + fabsf(axis.z));
        }
        const float norm = rsqrtf(d[0] * d[0] + d[1] * d[1] + d[2] * d[2]), x = d[0] * norm, y = d[1] * norm, z = d[2] * norm;
        bool near = false, met = false;
        unsigned first_met = 0;
#pragma unroll 1
        for (int w = 0; w < p.words; w++) {
            const unsigned here = t.in_row[w][r] & t.in_column[w][c], some = here & t.solid[w];
            near = near || (here & several[w]);
            unsigned kept = 0;
            for (unsigned bits = __reduce_or_sync(ALL, some); bits;) {
                const unsigned one = bits & 0u - bits;
                bits ^= one;
                const float4 ball = __ldg(&seen[t.entries[32 * w + 31 - __clz(one)].x]);
                kept |= ball.x * x + ball.y * y + ball.z * z >= ball.w ? one : 0u;
            }
            kept &= some;
            met = met || (kept & metal[w]);
            if (w == 0) first_met = kept;
        }
        const bool inside = p.row0 + r < rows && p.column0 + c < columns;
        bool bent = false;
        if (near && !met)
#pragma unroll 1
            for (int n = 0; n < p.crossings && !bent; n++) bent = boxes.bent(t.crossed[n], source, d, off);
        // 0: sub-rays; 1: one ray; 2: one ray, no solids.
        const int kind = near && (met || bent) ? 0 : met ? 1 : 2;
        // Until its own is known, a pixel's variance holds them.
        if (inside && kind < 2) variance[(p.image * rows + p.row0 + r) * columns + p.column0 + c] = __int_as_float((int)first_met);
#pragma unroll
        for (int which = 0; which < 3; which++) {
            bool wanted = inside && kind == which;
            unsigned votes = __ballot_sync(ALL, wanted);
            int base = 0;
            if (lane == 0 && votes) base = atomicAdd(&found[which], __popc(votes));
            base = __shfl_sync(ALL, base, 0);
            const int at = base + __popc(votes & ((1u << lane) - 1u));
            if (wanted) (which == 2 ? idle : busy)[which == 1 ? AREA - 1 - at : at] = (short)(r * WIDE + c);
        }
    }
    __syncthreads();
    if (thread < 2) facts[5 + thread] = found[thread];
    // Pixels where no solid is met; in a tile without any item they need no list.
    const int plain = p.words > 0 ? found[2] : AREA;
    const float home = sqrtf(t.axes[0].w * t.axes[0].w + t.axes[1].w * t.axes[1].w + t.axes[2].w * t.axes[2].w);
#pragma unroll 1
    for (int which = thread; which < plain; which += THREADS) {
        const unsigned pixel = p.words > 0 ? (unsigned)(unsigned short)idle[which] : (unsigned)which;
        const float along = (float)(pixel % WIDE), down = (float)(pixel / WIDE);
        Ray ray;
        ray.dx = t.axes[0].x + along * t.axes[0].y + down * t.axes[0].z;
        ray.dy = t.axes[1].x + along * t.axes[1].y + down * t.axes[1].z;
        ray.dz = t.axes[2].x + along * t.axes[2].y + down * t.axes[2].z;
        const float norm = rsqrtf(ray.dx * ray.dx + ray.dy * ray.dy + ray.dz * ray.dz);
        ray.dx *= norm, ray.dy *= norm, ray.dz *= norm;
        const float iz = ray.dz == 0.0f ? LARGE : __fdividef(1.0f, ray.dz);
        Filling filling = {p.flat.copper * iz, p.flat.laminate * iz, p.flat.silicon * iz};
        if (p.crossings) {
            const float ix = ray.dx == 0.0f ? LARGE : __fdividef(1.0f, ray.dx);
            const float iy = ray.dy == 0.0f ? LARGE : __fdividef(1.0f, ray.dy);
            ray.x = t.axes[0].w + home * ray.dx, ray.y = t.axes[1].w + home * ray.dy, ray.z = t.axes[2].w + home * ray.dz;
#pragma unroll 1
            for (int n = 0; n < p.crossings; n++) boxes.through(t.crossed[n], ray, ix, iy, iz, filling);
        }
        const Lengths lengths = {0.0f, fabsf(filling.copper), fabsf(filling.laminate), fabsf(filling.silicon), 0.0f};
        const float2 mean = behind<false>(lengths, few, energy, energies);
        const int r = p.row0 + (int)(pixel / WIDE), c = p.column0 + (int)(pixel % WIDE);
        if (r < rows && c < columns) {
            const int at = (p.image * rows + r) * columns + c;
            signal[at] = mean.x, variance[at] = mean.y;
        }
    }
    if (p.words == 0) add_up(p, rows, columns, signal, absorbed);
}

// The pixels of a tile that meet solids.
extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) project(
    TILE_PARAMETERS, PIXEL_PARAMETERS, const float4 *prims, const float *ways, const int *neck_rows, const int *neck_joints,
    const float *joint_centre, const float *neck_centre, const float *neck_radius) {
    if (blockIdx.x >= __ldg(&order[0])) return;
    __shared__ Tile t;
    __shared__ int later[WARPS][LATER], next_turn;
    extern __shared__ float4 energy[];
    const float few[FEW][7] = FEW_NUMBERS;
    const Scene s = {prims, joint_rows, neck_rows, neck_joints, joint_centre, neck_centre, neck_radius};
    const Stacks boxes = {stacks, layers, n_stacks};
    const int thread = threadIdx.x, lane = thread & 31, warp = thread >> 5, tile = __ldg(&order[2 + blockIdx.x]);
    const int *facts = about + (size_t)tile * ABOUT;
    const Place p(tile, first_view, rows, columns, facts);
    const short *busy = busy_of_tiles + (size_t)tile * AREA;
    const float *frame = frames + 12 * p.view;
    ways += (size_t)p.view * n_items;
    if (thread == 3) next_turn = 0;
    gather(t, p, facts, listed + (size_t)tile * room, items, joint_rows, frame, u0[p.view], v0[p.view], pixel_mm, distance);
    fill(energy, bins, energies);
    __syncthreads();
    spread(t, p, spans + (size_t)p.view * n_items, nullptr, nullptr);
    __syncthreads();
    const float home = sqrtf(t.axes[0].w * t.axes[0].w + t.axes[1].w * t.axes[1].w + t.axes[2].w * t.axes[2].w);
    const int several = facts[5], single = facts[6];
    const int rays = edge * edge, each = 32 / rays, group = lane / rays, sub = lane % rays;
    const float middle = 0.5f * (float)(edge - 1), share = 1.0f / (float)rays;
    const float right = __fdividef((float)(sub % edge) - middle, (float)edge), below = __fdividef((float)(sub / edge) - middle, (float)edge);
    const int near_turns = (several + each - 1) / each, turns = near_turns + (single + 31 >> 5);
    while (true) {
        // Turns are handed out: they differ much in work.
        int turn = lane == 0 ? atomicAdd(&next_turn, 1) : 0;
        turn = __shfl_sync(ALL, turn, 0);
        if (turn >= turns) break;
        const bool near = turn < near_turns;
        const int which = near ? turn * each + group : (turn - near_turns) * 32 + lane;
        bool known = which < (near ? several : single) && (!near || group < each);
        const unsigned pixel = (unsigned short)busy[!known ? (near ? 0 : AREA - 1) : near ? which : AREA - 1 - which];
        const int at = (p.image * rows + p.row0 + (int)(pixel / WIDE)) * columns + p.column0 + (int)(pixel % WIDE);
        const float along = (float)(pixel % WIDE) + (near ? right : 0.0f), down = (float)(pixel / WIDE) + (near ? below : 0.0f);
        const unsigned first_met = known ? (unsigned)__float_as_int(variance[at]) : 0u;
        Ray ray;
        ray.dx = t.axes[0].x + along * t.axes[0].y + down * t.axes[0].z;
        ray.dy = t.axes[1].x + along * t.axes[1].y + down * t.axes[1].z;
        ray.dz = t.axes[2].x + along * t.axes[2].y + down * t.axes[2].z;
        const float norm = rsqrtf(ray.dx * ray.dx + ray.dy * ray.dy + ray.dz * ray.dz);
        ray.dx *= norm, ray.dy *= norm, ray.dz *= norm;
        const float iz = ray.dz == 0.0f ? LARGE : __fdividef(1.0f, ray.dz);
        float solder = 0.0f, second = 0.0f, copper = 0.0f, sunk = 0.0f;
        // Rays that are no simple sum, and necks, wait until the items are done: joints (or ~neck) in `later`, a bit of
        // `left` each. A full list is worked off on the way.
        int w = 0, waiting = 0;
        // Bits of items that this ray, that any ray of the warp may meet. That a lane adds its own bits keeps the compiler from
        // moving all that follows to where uniform values are reckoned, which takes more steps.
        unsigned mine = first_met, bits = __reduce_or_sync(ALL, mine) | mine, left = 0, one = 0;
        int2 entry;
        // The next item that a ray of the warp may meet; whether this one may, `one` of `mine` tells.
        auto fetch = [&] {
            while (bits == 0) {
                if (++w >= p.words) {
                    entry.y = REST | NOBODY << OWNER;
                    return;
                }
                mine = t.in_row[w][pixel / WIDE] & t.in_column[w][pixel % WIDE] & t.solid[w];
                bits = __reduce_or_sync(ALL, mine) | mine;
            }
            one = bits & 0u - bits;
            entry = t.entries[32 * w + 31 - __clz(one)];
            bits ^= one;
        };
        auto postpone = [&](int who, bool slow) {
            if (lane == 0) later[warp][waiting] = who;
            left |= (unsigned)slow << waiting++;
        };
        auto start = [&](int k) {
            const float way = __ldg(&ways[k]);
            ray.x = t.axes[0].w + way * ray.dx, ray.y = t.axes[1].w + way * ray.dy, ray.z = t.axes[2].w + way * ray.dz;
        };
        fetch();
        while (true) {
            const int owner = entry.y >> OWNER;
            const bool last = (entry.y & 7) == REST;
            if (waiting && (last || waiting == LATER)) {
                __syncwarp();
#pragma unroll 1
                for (int n = 0; n < waiting; n++) {
                    const int who = later[warp][n];
                    if (left >> n & 1u) {
                        const float2 lengths = slow_length(s, frame, who < 0 ? who : __ldg(&items[who - 1].y), ray);
                        solder += lengths.x, second += lengths.y;
                    }
                }
                __syncwarp();
                waiting = 0, left = 0;
            }
            if (last) break;
            float begin, end;
            if (owner < 0) {
                bool wanted = mine & one;
                if (owner != NOBODY) postpone(owner, wanted);
                else {
                    start(entry.x);
                    float length;
                    if ((entry.y >> 4 & (SHEARED | CLOSED)) == (SHEARED | CLOSED)) {
                        const bool met = between(flank(s.prims, entry.x, true, ray), true, iz, begin, end);
                        length = met && wanted ? end - begin : 0.0f;
                    } else {
                        const float3 odd = odd_way(s.prims, entry.x, entry.y >> 4, ray);
                        length = wanted ? fmaxf(odd.y - odd.x, 0.0f) + odd.z : 0.0f;
                    }
                    length = (entry.y >> 4 & 7) == VOID ? -length : length;
                    copper += length, sunk += (entry.y & 7) == SUNK ? length : 0.0f;
                }
                fetch();
                continue;
            }
            Sum sum;
            sum.clear();
            start(entry.x);
            // Bodies come first, gaps next: what no ray of the warp finds of them spares it what is taken from them.
            do {
                const int role = entry.y >> 4 & 7;
                bool wanted = mine & one;
                if (role != BODY) {
                    wanted = wanted && sum.some() && ((role != KEEP && role != PATCH) || !sum.gap.none());
                    if (!__any_sync(ALL, wanted)) {
                        fetch();
                        continue;
                    }
                }
                if ((entry.y >> 4 & (SHEARED | CLOSED)) == (SHEARED | CLOSED))
                    wanted = between(flank(s.prims, entry.x, true, ray), true, iz, begin, end) && wanted;
                else {
                    const float3 odd = odd_way(s.prims, entry.x, entry.y >> 4, ray);
                    begin = odd.x, end = odd.y;
                    // A second interval, behind the waist of a primitive, is left to the slow way.
                    if (wanted && odd.z > 0.0f) sum.simple = false;
                    wanted = wanted && end > begin;
                }
                if (role == BODY) sum.put(sum.a, sum.b, wanted, begin, end);
                else if (role == VOID) sum.remove(wanted, begin, end);
                else if (role == GAP) sum.put(sum.gap, sum.other, wanted, begin, end);
                else sum.put(sum.keep, sum.patch, wanted, begin, end);
                fetch();
            } while (entry.y >> OWNER == owner);
            bool slow = !sum.simple;
            if (!__any_sync(ALL, slow || sum.some())) continue;
            // The second alloy, if the joint has one, lies in one primitive behind all others.
            const int mix = owner - 1, shape = shape_of(s.prims, mix);
            const bool mixed = (shape & 7) == MIX;
            const bool some = sum.some();
            sum.close();
            slow = !sum.simple || (mixed && !(shape & CLOSED) && some);
            begin = -LARGE, end = slow ? -LARGE : LARGE;
#pragma unroll 1
            for (int part = 0;; part++) {
                const float length = begin < end ? sum.metal(begin, end) : 0.0f;
                if (part) second += length;
                else solder += length;
                if (part || !mixed) break;
                const bool met = between(flank(s.prims, mix, shape & SHEARED, ray), shape & SHEARED, iz, begin, end);
                end = met && !slow ? end : begin;
            }
            if (__any_sync(ALL, slow)) postpone(owner, slow);
        }
        const float ix = ray.dx == 0.0f ? LARGE : __fdividef(1.0f, ray.dx);
        const float iy = ray.dy == 0.0f ? LARGE : __fdividef(1.0f, ray.dy);
        Filling filling = {0.0f, 0.0f, 0.0f};
        ray.x = t.axes[0].w + home * ray.dx, ray.y = t.axes[1].w + home * ray.dy, ray.z = t.axes[2].w + home * ray.dz;
#pragma unroll 1
        for (int n = 0; n < p.crossings; n++) boxes.through(t.crossed[n], ray, ix, iy, iz, filling);
        copper += fabsf(filling.copper + p.flat.copper * iz);
        const float laminate = fmaxf(fabsf(filling.laminate + p.flat.laminate * iz) - sunk, 0.0f);
        const float silicon = fabsf(filling.silicon + p.flat.silicon * iz);
        solder -= second;
        const float2 mean = behind<true>({solder, copper, laminate, silicon, second}, few, energy, energies);
        float passed = mean.x, spread = mean.y;
        if (near) {
            // Sub-rays of one pixel are neighbours in the warp.
            float total = passed, other = spread;
            if (rays == 4) {
                total += __shfl_xor_sync(ALL, total, 1), other += __shfl_xor_sync(ALL, other, 1);
                total += __shfl_xor_sync(ALL, total, 2), other += __shfl_xor_sync(ALL, other, 2);
            } else {
#pragma unroll 1
                for (int n = 1; n < rays; n++) {
                    total += __shfl_down_sync(ALL, passed, n);
                    other += __shfl_down_sync(ALL, spread, n);
                }
            }
            passed = total * share, spread = other * share;
            known = known && sub == 0;
        }
        if (known) signal[at] = passed, variance[at] = spread;
    }
    add_up(p, rows, columns, signal, absorbed);
}
