"""pitmap: phone photos of a lapped side plate in, a map in millimetres and a stock plan out."""

__version__ = "0.1.0"
