"""How is a run of passes told in words?"""
