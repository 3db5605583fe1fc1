def show() -> None:
    pass
