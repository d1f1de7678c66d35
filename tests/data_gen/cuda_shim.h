// Just enough of CUDA C to run a kernel as plain C++: the threads of a block take turns as fibres, block after block.
// For small cases only; `__shared__` arrays are static, dynamic ones lie in `shim_dynamic`.
#include <cmath>
#include <cstdint>
#include <cstdlib>
#include <cstring>
#include <functional>
#include <ucontext.h>
#include <vector>

using std::max;
using std::min;
#define __device__
#define __global__
#define __host__
#define __shared__ static
#define __constant__ static
#define __restrict__
#define __forceinline__ inline
#define __noinline__ __attribute__((noinline))
#define __launch_bounds__(...)
#define __align__(n) alignas(n)

struct uint3 { unsigned x, y, z; };
struct float2 { float x, y; };
struct alignas(16) float4 { float x, y, z, w; };
struct int2 { int x, y; };
struct alignas(16) int4 { int x, y, z, w; };
struct short4 { short x, y, z, w; };
struct float3 { float x, y, z; };
inline float3 make_float3(float x, float y, float z) { return {x, y, z}; }
inline float2 make_float2(float x, float y) { return {x, y}; }
inline float4 make_float4(float x, float y, float z, float w) { return {x, y, z, w}; }
inline int2 make_int2(int x, int y) { return {x, y}; }
inline int4 make_int4(int x, int y, int z, int w) { return {x, y, z, w}; }
inline short4 make_short4(short x, short y, short z, short w) { return {x, y, z, w}; }
inline int __float_as_int(float v) { int i; memcpy(&i, &v, 4); return i; }
inline float __int_as_float(int i) { float v; memcpy(&v, &i, 4); return v; }
inline unsigned __float_as_uint(float v) { return (unsigned)__float_as_int(v); }
inline float __uint_as_float(unsigned i) { return __int_as_float((int)i); }
inline float __fdividef(float a, float b) { return a / b; }
inline float __fdiv_rn(float a, float b) { return a / b; }
inline float __fsqrt_rn(float a) { return sqrtf(a); }
inline float __fadd_rd(float a, float b) {
    const double sum = (double)a + (double)b;
    const float out = (float)sum;
    return out > sum ? nextafterf(out, -INFINITY) : out;
}
inline float rsqrtf(float a) { return 1.0f / sqrtf(a); }
inline float __expf(float a) { return expf(a); }
inline float __logf(float a) { return logf(a); }
inline float __cosf(float a) { return cosf(a); }
inline float __sinf(float a) { return sinf(a); }
inline float __saturatef(float a) { return a < 0 ? 0 : a > 1 ? 1 : a; }
inline int __popc(unsigned v) { return __builtin_popcount(v); }
inline int __ffs(int v) { return __builtin_ffs(v); }
inline int __clz(int v) { return v ? __builtin_clz(v) : 32; }
inline unsigned __umulhi(unsigned a, unsigned b) { return (uint64_t)a * b >> 32; }
template <class T> inline T __ldg(const T *p) { return *p; }
template <class T> inline T atomicAdd(T *p, T v) { T old = *p; *p += v; return old; }
template <class T> inline T atomicOr(T *p, T v) { T old = *p; *p |= v; return old; }
template <class T> inline T atomicExch(T *p, T v) { T old = *p; *p = v; return old; }

// Half precision, rounded to nearest even, and the pieces of detect.cu and fdk.cu that are written in PTX.
inline float shim_wide(unsigned short h) {
    const int exponent = h >> 10 & 31, mantissa = h & 1023;
    const float size = exponent ? ldexpf((float)(mantissa | 1024), exponent - 25) : ldexpf((float)mantissa, -24);
    return h & 0x8000 ? -size : size;
}
inline unsigned short half_bits(float v) {
    const float size = fabsf(v);
    unsigned short out = 0;
    if (size >= 65520.0f) out = 0x7c00;
    else if (size < 6.103515625e-5f) out = (unsigned short)nearbyintf(ldexpf(size, 24));
    else {
        int exponent;
        const float part = frexpf(size, &exponent);
        out = (unsigned short)(((exponent + 13) << 10) + (int)nearbyintf(ldexpf(part, 11)));
    }
    return out | (v < 0 ? 0x8000 : 0);
}
inline const char *moved(const char *at, unsigned times, unsigned bytes) { return at + (uint64_t)times * bytes; }
inline float within(float a, float b, float c) { return __saturatef(fmaf(a, b, c)); }
inline unsigned twice(float v) { return half_bits(v) * 0x10001u; }
inline float2 widened(unsigned pair) { return {shim_wide(pair & 0xffff), shim_wide(pair >> 16)}; }
inline unsigned between(unsigned a, unsigned b, unsigned share) {
    unsigned out = 0;
    for (int side = 0; side < 32; side += 16) {
        const float x = shim_wide(a >> side & 0xffff), y = shim_wide(b >> side & 0xffff), s = shim_wide(share >> side & 0xffff);
        out |= (unsigned)half_bits(x + s * shim_wide(half_bits(y - x))) << side;
    }
    return out;
}

struct Fibre { ucontext_t context; uint3 tid; int number; bool done; char *stack; };
static Fibre *shim_now;
static ucontext_t shim_main;
static uint3 shim_block, shim_size, shim_grid;
static std::vector<Fibre> shim_fibres;
static std::vector<int> shim_arrived, shim_round, shim_alive;
static uint64_t shim_slots[2][64][32];
alignas(16) static char shim_dynamic[256 * 1024];
#define threadIdx (shim_now->tid)
#define blockIdx shim_block
#define blockDim shim_size
#define gridDim shim_grid

inline void shim_yield() { swapcontext(&shim_now->context, &shim_main); }
// Group 0 is the block, group 1 + w the warp w.
inline void shim_meet(int group) {
    int round = shim_round[group];
    if (++shim_arrived[group] == shim_alive[group]) shim_arrived[group] = 0, shim_round[group]++;
    else while (shim_round[group] == round) shim_yield();
}
inline void __syncthreads() { shim_meet(0); }
inline void __syncwarp(unsigned = ~0u) { shim_meet(1 + shim_now->number / 32); }
template <class T> inline const uint64_t *shim_share(T value) {
    int warp = shim_now->number / 32, lane = shim_now->number % 32, side = shim_round[1 + warp] & 1;
    uint64_t bits = 0;
    memcpy(&bits, &value, sizeof value);
    shim_slots[side][warp][lane] = bits;
    shim_meet(1 + warp);
    return shim_slots[side][warp];
}
template <class T> inline T shim_of(uint64_t bits) { T v; memcpy(&v, &bits, sizeof v); return v; }
inline unsigned __ballot_sync(unsigned, bool vote) {
    const uint64_t *all = shim_share((unsigned)vote);
    unsigned out = 0;
    for (int i = 0; i < 32; i++) out |= (unsigned)(all[i] & 1) << i;
    return out;
}
inline bool __any_sync(unsigned m, bool vote) { return __ballot_sync(m, vote) != 0; }
inline bool __all_sync(unsigned m, bool vote) { return __ballot_sync(m, vote) == ~0u; }
inline int __syncthreads_or(int v) {
    static int any; if (v) any |= 1; __syncthreads(); int out = any; __syncthreads(); any = 0; __syncthreads(); return out;
}
inline unsigned __reduce_or_sync(unsigned, unsigned v) {
    const uint64_t *all = shim_share(v);
    unsigned out = 0;
    for (int i = 0; i < 32; i++) out |= (unsigned)all[i];
    return out;
}
template <class T> inline T __shfl_sync(unsigned, T v, int lane) { return shim_of<T>(shim_share(v)[lane & 31]); }
template <class T> inline T __shfl_down_sync(unsigned, T v, int d) {
    int lane = shim_now->number % 32;
    return shim_of<T>(shim_share(v)[lane + d < 32 ? lane + d : lane]);
}
template <class T> inline T __shfl_xor_sync(unsigned, T v, int d) { return shim_of<T>(shim_share(v)[(shim_now->number % 32) ^ d]); }

static std::function<void()> shim_work;
static void shim_start() { shim_work(); shim_now->done = true; for (;;) shim_yield(); }

// Every block of a grid, one after the other.
inline void shim_launch(uint3 grid, unsigned threads, std::function<void()> work) {
    const size_t room = 256 * 1024;
    shim_work = work, shim_grid = grid, shim_size = {threads, 1, 1};
    while (shim_fibres.size() < threads) shim_fibres.push_back({{}, {}, 0, false, (char *)malloc(room)});
    for (unsigned z = 0; z < grid.z; z++) for (unsigned y = 0; y < grid.y; y++) for (unsigned x = 0; x < grid.x; x++) {
        shim_block = {x, y, z};
        int warps = (threads + 31) / 32;
        shim_arrived.assign(1 + warps, 0), shim_round.assign(1 + warps, 0), shim_alive.assign(1 + warps, 0);
        for (unsigned t = 0; t < threads; t++) {
            Fibre &f = shim_fibres[t];
            f.tid = {t, 0, 0}, f.number = t, f.done = false;
            getcontext(&f.context);
            f.context.uc_stack.ss_sp = f.stack, f.context.uc_stack.ss_size = room, f.context.uc_link = nullptr;
            makecontext(&f.context, shim_start, 0);
            shim_alive[0]++, shim_alive[1 + t / 32]++;
        }
        for (unsigned left = threads; left;) for (unsigned t = 0; t < threads; t++) {
            Fibre &f = shim_fibres[t];
            if (f.done) continue;
            shim_now = &f;
            swapcontext(&shim_main, &f.context);
            if (f.done) {
                left--;
                for (int group : {0, 1 + (int)t / 32}) {
                    shim_alive[group]--;
                    if (shim_alive[group] && shim_arrived[group] == shim_alive[group]) shim_arrived[group] = 0, shim_round[group]++;
                }
            }
        }
    }
}
