// Backprojection in CUDA C, onto voxels (piece, z, y, x) whose axes are the file's; see fdk.py. A thread follows RUN
// voxels along y, the rotation axis of an upright scan, where they share column, depth and weight of a view.
// Filtered views are float32, or pairs of halves: each pixel's value and that of the pixel to its right; their rows lie
// PITCH bytes apart, which the compiler must know: the row below then needs no address of its own.
// A block is a square in x and z, a warp 8 by 4 voxels of it: whatever the angle, its shadow is narrow, so that a load
// meets one line of the cache as a rule, and what one warp has fetched serves the others.

#ifndef RUN
#define RUN 8
#endif
#define WIDE 16
#define DEEP 16
#define THREADS 256
#ifndef BLOCKS
#define BLOCKS 4
#endif
#define BLOCKS_MOUNTED 3
#define MAGIC 12582912.0f
#define BITS 0x4B400000u

#ifdef __CUDACC__
// at + times * bytes in one instruction, which the compiler else takes apart.
__device__ __forceinline__ const char *moved(const char *at, unsigned times, unsigned bytes) {
    const char *out;
    asm("mad.wide.u32 %0, %1, %2, %3;" : "=l"(out) : "r"(times), "r"(bytes), "l"(at));
    return out;
}
// a b + c, no less than 0 and no more than 1.
__device__ __forceinline__ float within(float a, float b, float c) {
    float out;
    asm("fma.rn.ftz.sat.f32 %0, %1, %2, %3;" : "=f"(out) : "f"(a), "f"(b), "f"(c));
    return out;
}
__device__ __forceinline__ unsigned twice(float value) {
    unsigned out;
    asm("cvt.rn.f16x2.f32 %0, %1, %1;" : "=r"(out) : "f"(value));
    return out;
}
__device__ __forceinline__ float2 widened(unsigned pair) {
    float2 out;
    asm("{.reg .b16 a, b; mov.b32 {a, b}, %2; cvt.f32.f16 %0, a; cvt.f32.f16 %1, b;}" : "=f"(out.x), "=f"(out.y) : "r"(pair));
    return out;
}
// a + share (b - a) of both halves.
__device__ __forceinline__ unsigned between(unsigned a, unsigned b, unsigned share) {
    unsigned out;
    asm("{.reg .b32 d; sub.rn.f16x2 d, %2, %1; fma.rn.f16x2 %0, %3, d, %1;}" : "=r"(out) : "r"(a), "r"(b), "r"(share));
    return out;
}
#endif

// A pixel and its right neighbour, at a place of one row and at the place below it.
// Loading stands apart from adding, so that all loads of a run are under way together.
struct Pairs {
    unsigned one, two;
    __device__ __forceinline__ void load(const char *at) {
        one = __ldg((const unsigned *)at), two = __ldg((const unsigned *)(at + PITCH));
    }
    // Adds the value at a share of the way down.
    __device__ __forceinline__ void add(float share, float left, float right, float &sum) const {
        const float2 v = widened(between(one, two, twice(share)));
        sum = fmaf(left, v.x, sum);
        sum = fmaf(right, v.y, sum);
    }
};

struct Singles {
    float a, b, c, d;
    __device__ __forceinline__ void load(const char *at) {
        const float *one = (const float *)at, *two = (const float *)(at + PITCH);
        a = __ldg(one), b = __ldg(one + 1), c = __ldg(two), d = __ldg(two + 1);
    }
    __device__ __forceinline__ void add(float share, float left, float right, float &sum) const {
        const float upper = left * a + right * b, lower = left * c + right * d;
        sum += upper + share * (lower - upper);
    }
};

// The same of one row: its value between the two pixels.
struct PairsRow {
    unsigned one;
    __device__ __forceinline__ void load(const char *at) { one = __ldg((const unsigned *)at); }
    __device__ __forceinline__ float across(float left, float right) const {
        const float2 v = widened(one);
        return left * v.x + right * v.y;
    }
};

struct SinglesRow {
    float a, b;
    __device__ __forceinline__ void load(const char *at) { a = __ldg((const float *)at), b = __ldg((const float *)at + 1); }
    __device__ __forceinline__ float across(float left, float right) const { return left * a + right * b; }
};

struct Place {
    int x, first, ny;
    size_t at, step;
    bool any;
    float px, py, pz;
    // `wanted` may be none: all voxels are. Blocks (runs of a column of squares, squares deep, piece).
    __device__ __forceinline__ Place(const float *origins, float spacing, int nz, int ny, int nx, const unsigned char *wanted)
        : ny(ny), step(nx), any(false) {
        const int lane = threadIdx.x & 31, warp = threadIdx.x >> 5, across = (nx + WIDE - 1) / WIDE;
        const int run = blockIdx.x / across, piece = blockIdx.z;
        x = (blockIdx.x - run * across) * WIDE + warp % (WIDE / 8) * 8 + (lane & 7), first = run * RUN;
        const int z = blockIdx.y * DEEP + warp / (WIDE / 8) * 4 + (lane >> 3);
        at = (((size_t)piece * nz + z) * ny + first) * nx + x;
        for (int j = 0; x < nx && z < nz && j < RUN; j++) any = any || (first + j < ny && (!wanted || wanted[at + j * step]));
        px = origins[3 * piece] + (float)x * spacing, py = origins[3 * piece + 1] + (float)first * spacing;
        pz = origins[3 * piece + 2] + (float)z * spacing;
    }
    __device__ __forceinline__ void add(const float *sums, const unsigned char *wanted, float *volume) const {
#pragma unroll
        for (int j = 0; j < RUN; j++)
            if (first + j < ny && (!wanted || wanted[at + j * step])) volume[at + j * step] += sums[j];
    }
};

// Adding MAGIC downwards leaves the whole number below a value in the low bits of the sum. The bits less those of MAGIC
// itself are never formed: BITS times the step lies in the base that they count from.
template <class Views, class Row>
__device__ __forceinline__ void upright(const char *views, int rows, int columns, const float2 *turns, int count,
                                        const Place &p, float spacing, float distance, float step, float share, float *sums) {
    const float middle_column = 0.5f * (float)(columns - 1), middle_row = 0.5f * (float)(rows - 1);
    const float last_column = (float)(columns - 1), last_row = (float)(rows - 1), finer = 1.0f / step;
    const float most = MAGIC + (float)(columns - 2);
    const size_t image = (size_t)rows * PITCH;
    const char *base = views - (size_t)BITS * 4 - (size_t)BITS * PITCH;
    for (int view = 0; view < count; view++, base += image) {
        const float2 turn = __ldg(turns + view);
        const float enlarged = __fdividef(distance, distance - (p.px * turn.x + p.pz * turn.y)), scale = enlarged * finer;
        const float column = (p.px * turn.y - p.pz * turn.x) * scale + middle_column;
        if (!(column >= 0.0f && column <= last_column)) continue;
        const float whole = fminf(__fadd_rd(column, MAGIC), most), weight = share * enlarged * enlarged;
        const float right = (column - (whole - MAGIC)) * weight, left = weight - right;
        const float start = p.py * scale + middle_row, slope = spacing * scale, end = start + (RUN - 1) * slope;
        const char *aside = moved(base, __float_as_uint(whole), 4u);
        const float lean = slope - 1.0f, top = start + fminf((RUN - 1) * lean, 0.0f), above = __fadd_rd(top, MAGIC);
        if (fabsf(lean) * (RUN - 1) < 1.0f && top >= 0.0f && above - MAGIC <= last_row - (RUN + 1)) {
            // All of the run lies on the detector and its voxels about a row apart, as a rule: voxel j lies 0 to 2 rows below row j
            // of those from `above` on, and each row is read once.
            const char *at = moved(aside, __float_as_uint(above), PITCH);
            const float over = start - (above - MAGIC);
            Row met[RUN + 2];
            float value[RUN + 2];
#pragma unroll
            for (int i = 0; i < RUN + 2; i++) met[i].load(at + i * PITCH);
#pragma unroll
            for (int i = 0; i < RUN + 2; i++) value[i] = met[i].across(left, right);
#pragma unroll
            for (int j = 0; j < RUN; j++) {
                const float one = within((float)j, lean, over), two = within((float)j, lean, over - 1.0f);
                sums[j] += value[j];
                sums[j] += one * (value[j + 1] - value[j]);
                sums[j] += two * (value[j + 2] - value[j + 1]);
            }
        } else if (start >= 0.0f && end < last_row) {
            Views met[RUN];
            float down[RUN];
#pragma unroll
            for (int j = 0; j < RUN; j++) {
                const float row = start + (float)j * slope, below = __fadd_rd(row, MAGIC);
                met[j].load(moved(aside, __float_as_uint(below), PITCH));
                down[j] = row - (below - MAGIC);
            }
#pragma unroll
            for (int j = 0; j < RUN; j++) met[j].add(down[j], left, right, sums[j]);
        } else {
#pragma unroll
            for (int j = 0; j < RUN; j++) {
                const float row = start + (float)j * slope;
                if (!(row >= 0.0f && row <= last_row)) continue;
                const int r = min((int)row, rows - 2);
                Views met;
                met.load(moved(aside, BITS + r, PITCH));
                met.add(row - (float)r, left, right, sums[j]);
            }
        }
    }
}

// Any mount: column, row and weight of each voxel by themselves; maps are those of fdk._maps.
template <class Views>
__device__ __forceinline__ void mounted(const char *views, int rows, int columns, const float4 *maps, int count,
                                        const Place &p, float spacing, float share, float *sums) {
    const float middle_column = 0.5f * (float)(columns - 1), middle_row = 0.5f * (float)(rows - 1);
    const float last_column = (float)(columns - 1), last_row = (float)(rows - 1);
    const float most_column = MAGIC + (float)(columns - 2), most_row = MAGIC + (float)(rows - 2);
    const size_t image = (size_t)rows * PITCH;
    const char *base = views - (size_t)BITS * 4 - (size_t)BITS * PITCH;
    for (int view = 0; view < count; view++, base += image) {
        const float4 a = __ldg(maps + 3 * view), b = __ldg(maps + 3 * view + 1), d = __ldg(maps + 3 * view + 2);
        const float across = a.x * p.px + a.y * p.py + a.z * p.pz + a.w, along = b.x * p.px + b.y * p.py + b.z * p.pz + b.w;
        const float depth = d.x * p.px + d.y * p.py + d.z * p.pz + d.w;
        Views met[RUN];
        float down[RUN], left[RUN], right[RUN];
#pragma unroll
        for (int j = 0; j < RUN; j++) {
            const float step = (float)j * spacing, inverse = __fdividef(1.0f, depth + step * d.y);
            const float column = (across + step * a.y) * inverse + middle_column;
            const float row = (along + step * b.y) * inverse + middle_row;
            // Beyond the detector the nearest pixel is read, for nothing: all loads of a run are under way together.
            const float inner = fminf(fmaxf(column, 0.0f), last_column), level = fminf(fmaxf(row, 0.0f), last_row);
            const float whole = fminf(__fadd_rd(inner, MAGIC), most_column), below = fminf(__fadd_rd(level, MAGIC), most_row);
            const float weight = inner == column && level == row ? share * inverse * inverse : 0.0f;
            met[j].load(moved(moved(base, __float_as_uint(whole), 4u), __float_as_uint(below), PITCH));
            right[j] = (inner - (whole - MAGIC)) * weight, left[j] = weight - right[j], down[j] = level - (below - MAGIC);
        }
#pragma unroll
        for (int j = 0; j < RUN; j++) met[j].add(down[j], left[j], right[j], sums[j]);
    }
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS) add_upright(
    const char *views, int narrow, int rows, int columns, const float2 *turns, int count, const unsigned char *wanted,
    const float *origins, float spacing, int nz, int ny, int nx, float distance, float step, float share, float *volume) {
    const Place p(origins, spacing, nz, ny, nx, wanted);
    if (!p.any) return;
    float sums[RUN] = {};
    if (narrow) upright<Pairs, PairsRow>(views, rows, columns, turns, count, p, spacing, distance, step, share, sums);
    else upright<Singles, SinglesRow>(views, rows, columns, turns, count, p, spacing, distance, step, share, sums);
    p.add(sums, wanted, volume);
}

extern "C" __global__ void __launch_bounds__(THREADS, BLOCKS_MOUNTED) add_mounted(
    const char *views, int narrow, int rows, int columns, const float4 *maps, int count, const unsigned char *wanted,
    const float *origins, float spacing, int nz, int ny, int nx, float share, float *volume) {
    const Place p(origins, spacing, nz, ny, nx, wanted);
    if (!p.any) return;
    float sums[RUN] = {};
    if (narrow) mounted<Pairs>(views, rows, columns, maps, count, p, spacing, share, sums);
    else mounted<Singles>(views, rows, columns, maps, count, p, spacing, share, sums);
    p.add(sums, wanted, volume);
}
