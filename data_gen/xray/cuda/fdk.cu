// Backprojection in CUDA C, onto voxels (piece, z, y, x) whose axes are the file's; see fdk.py. A thread follows RUN
// voxels along y, the rotation axis of an upright scan, where they share column, depth and weight of a view.
// Filtered views are float32, or pairs of halves: each pixel's value and that of the pixel to its right.

#define RUN 8
#define THREADS 128
#define MAGIC 12582912.0f

#ifdef __CUDACC__
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

struct Pairs {
    const unsigned *at;
    __device__ __forceinline__ float value(unsigned one, unsigned two, float share, float left, float right) const {
        const float2 v = widened(between(__ldg(at + one), __ldg(at + two), twice(share)));
        return left * v.x + right * v.y;
    }
};

struct Singles {
    const float *at;
    __device__ __forceinline__ float value(unsigned one, unsigned two, float share, float left, float right) const {
        const float upper = left * __ldg(at + one) + right * __ldg(at + one + 1);
        const float lower = left * __ldg(at + two) + right * __ldg(at + two + 1);
        return upper + share * (lower - upper);
    }
};

struct Place {
    int x, first, ny;
    size_t at, step;
    bool any;
    float px, py, pz;
    // `wanted` may be none: all voxels are.
    __device__ __forceinline__ Place(const float *origins, float spacing, int nz, int ny, int nx, const unsigned char *wanted)
        : ny(ny), step(nx), any(false) {
        const int flat = blockIdx.x * THREADS + threadIdx.x, piece = blockIdx.y / nz, z = blockIdx.y - piece * nz;
        x = flat % nx, first = flat / nx * RUN;
        at = ((size_t)blockIdx.y * ny + first) * nx + x;
        for (int j = 0; j < RUN; j++) any = any || (first + j < ny && (!wanted || wanted[at + j * step]));
        px = origins[3 * piece] + (float)x * spacing, py = origins[3 * piece + 1] + (float)first * spacing;
        pz = origins[3 * piece + 2] + (float)z * spacing;
    }
    __device__ __forceinline__ void add(const float *sums, const unsigned char *wanted, float *volume) const {
        for (int j = 0; j < RUN; j++)
            if (first + j < ny && (!wanted || wanted[at + j * step])) volume[at + j * step] += sums[j];
    }
};

template <class Views>
__device__ __forceinline__ void upright(const Views &views, int rows, int columns, const float2 *turns, int count,
                                        const Place &p, float spacing, float distance, float step, float share, float *sums) {
    const float middle_column = 0.5f * (float)(columns - 1), middle_row = 0.5f * (float)(rows - 1);
    const float last_column = (float)(columns - 1), last_row = (float)(rows - 1), finer = 1.0f / step;
    for (int view = 0; view < count; view++) {
        const float2 turn = __ldg(turns + view);
        const float enlarged = __fdividef(distance, distance - (p.px * turn.x + p.pz * turn.y)), scale = enlarged * finer;
        const float column = (p.px * turn.y - p.pz * turn.x) * scale + middle_column;
        if (!(column >= 0.0f && column <= last_column)) continue;
        const int c = min((int)column, columns - 2);
        const float weight = share * enlarged * enlarged, right = (column - (float)c) * weight, left = weight - right;
        const float start = p.py * scale + middle_row, slope = spacing * scale, end = start + (RUN - 1) * slope;
        const unsigned image = (unsigned)view * (unsigned)rows * (unsigned)columns + (unsigned)c;
        if (start >= 1.0f && end <= last_row - 1.0f) {
            // All of the run lies on the detector. Adding MAGIC rounds to a whole number, the low bits of the sum.
            const unsigned base = image - 0x4B400000u * (unsigned)columns;
#pragma unroll
            for (int j = 0; j < RUN; j++) {
                const float row = start + (float)j * slope, whole = (row - 0.5f) + MAGIC;
                const unsigned one = base + __float_as_uint(whole) * (unsigned)columns;
                sums[j] += views.value(one, one + columns, row - (whole - MAGIC), left, right);
            }
        } else {
            for (int j = 0; j < RUN; j++) {
                const float row = start + (float)j * slope;
                const int r = min((int)fmaxf(row, 0.0f), rows - 2);
                const unsigned one = image + (unsigned)r * (unsigned)columns;
                const float value = views.value(one, one + columns, row - (float)r, left, right);
                sums[j] += row >= 0.0f && row <= last_row ? value : 0.0f;
            }
        }
    }
}

// Any mount: column, row and weight of each voxel by themselves; maps are those of fdk._maps.
template <class Views>
__device__ __forceinline__ void mounted(const Views &views, int rows, int columns, const float4 *maps, int count,
                                        const Place &p, float spacing, float share, float *sums) {
    const float middle_column = 0.5f * (float)(columns - 1), middle_row = 0.5f * (float)(rows - 1);
    const float last_column = (float)(columns - 1), last_row = (float)(rows - 1);
    for (int view = 0; view < count; view++) {
        const float4 a = __ldg(maps + 3 * view), b = __ldg(maps + 3 * view + 1), d = __ldg(maps + 3 * view + 2);
        const float across = a.x * p.px + a.y * p.py + a.z * p.pz + a.w, along = b.x * p.px + b.y * p.py + b.z * p.pz + b.w;
        const float depth = d.x * p.px + d.y * p.py + d.z * p.pz + d.w;
        const unsigned image = (unsigned)view * (unsigned)rows * (unsigned)columns;
#pragma unroll
        for (int j = 0; j < RUN; j++) {
            const float step = (float)j * spacing, inverse = __fdividef(1.0f, depth + step * d.y);
            const float column = (across + step * a.y) * inverse + middle_column;
            const float row = (along + step * b.y) * inverse + middle_row;
            const bool seen = column >= 0.0f && column <= last_column && row >= 0.0f && row <= last_row;
            const int c = min((int)fmaxf(column, 0.0f), columns - 2), r = min((int)fmaxf(row, 0.0f), rows - 2);
            const unsigned one = image + (unsigned)r * (unsigned)columns + (unsigned)c;
            const float weight = seen ? share * inverse * inverse : 0.0f, right = (column - (float)c) * weight;
            const float value = views.value(one, one + columns, row - (float)r, weight - right, right);
            sums[j] += seen ? value : 0.0f;
        }
    }
}

extern "C" __global__ void __launch_bounds__(THREADS) add_upright(
    const void *views, int narrow, int rows, int columns, const float2 *turns, int count, const unsigned char *wanted,
    const float *origins, float spacing, int nz, int ny, int nx, float distance, float step, float share, float *volume) {
    const Place p(origins, spacing, nz, ny, nx, wanted);
    if (!p.any) return;
    float sums[RUN] = {};
    if (narrow) upright(Pairs{(const unsigned *)views}, rows, columns, turns, count, p, spacing, distance, step, share, sums);
    else upright(Singles{(const float *)views}, rows, columns, turns, count, p, spacing, distance, step, share, sums);
    p.add(sums, wanted, volume);
}

extern "C" __global__ void __launch_bounds__(THREADS) add_mounted(
    const void *views, int narrow, int rows, int columns, const float4 *maps, int count, const unsigned char *wanted,
    const float *origins, float spacing, int nz, int ny, int nx, float share, float *volume) {
    const Place p(origins, spacing, nz, ny, nx, wanted);
    if (!p.any) return;
    float sums[RUN] = {};
    if (narrow) mounted(Pairs{(const unsigned *)views}, rows, columns, maps, count, p, spacing, share, sums);
    else mounted(Singles{(const float *)views}, rows, columns, maps, count, p, spacing, share, sums);
    p.add(sums, wanted, volume);
}
