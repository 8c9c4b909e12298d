/* select.c - parts the values as quicksort does, but follows only the part that holds place k. */
#include "select.h"

static float middle_of_three(float a, float b, float c)
{
    float low = a < b ? a : b, high = a < b ? b : a;
    return c < low ? low : c > high ? high : c;
}

float rf_select(float *values, size_t n, size_t k)
{
    size_t first = 0, last = n - 1;
    while (first < last) {
        float pivot = middle_of_three(values[first], values[first + (last - first) / 2], values[last]);
        size_t i = first, j = last;
        for (;;) {
            while (values[i] < pivot)
                i++;
            while (values[j] > pivot)
                j--;
            if (i >= j)
                break;
            float swapped = values[i];
            values[i++] = values[j];
            values[j--] = swapped;
        }
        /* [first, i) <= pivot <= [i, last]; where i and j met the pivot is in its place. */
        if (k < i)
            last = i - 1;
        else if (k > i || i > j)
            first = i + (i == j);
        else
            break;
    }
    return values[k];
}
