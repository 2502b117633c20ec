"""Operations on any picture: blur, bins, resampling."""
